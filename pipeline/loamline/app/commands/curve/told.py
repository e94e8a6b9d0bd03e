"""A curve as `curve` commands tell it: its figures for JSON, and the words for where its standard error comes from."""

from __future__ import annotations

from typing import Any

from loamline.core.curves.formula import formula
from loamline.core.curves.kinds import SOURCES, source, standard_error
from loamline.core.explaining.words import number
from loamline_schemas.curves import PARAMETERS, Curve
from loamline_schemas.digest import content_digest

#: Step -> what goes in, what comes out, and in which unit that is.
QUANTITIES = {"soil": ("Ka", "vwc", "m3/m3"), "transducer": ("x", "Ka", "")}


def curve_as_object(curve: Curve) -> dict[str, Any]:
    """Return all that one version of a curve says and what follows from it."""
    variable, result, unit = QUANTITIES[curve.step]
    return {
        "id": curve.id,
        "step": curve.step,
        "kind": curve.kind,
        "for": curve.applies_to,
        "valid_from": curve.valid_from,
        "parameters": {name: getattr(curve, name) for name in PARAMETERS[curve.kind]},
        "formula": formula(curve, variable, result),
        "domain": list(curve.domain),
        "standard_error": standard_error(curve),
        "standard_error_unit": unit,
        "standard_error_origin": standard_error_origin(curve),
        "source": source(curve),
        "digest": content_digest(curve),
    }


def standard_error_origin(curve: Curve) -> str:
    """Return who says a curve's standard error."""
    if curve.standard_error is not None:
        return "the curve's own"
    if standard_error(curve) is not None:
        return f"usual for kind {curve.kind}"
    if curve.step == "soil":
        return "nobody: readings by this curve have no uncertainty"
    return "nobody: it adds nothing to a reading's uncertainty"


def source_from(curve: Curve) -> str:
    """Return who says a curve's source."""
    if curve.source:
        return "the curve's own"
    return "the kind's" if curve.kind in SOURCES else "nobody"


def parameters_in_words(curve: Curve) -> str:
    """Return a curve's parameters as `name figure`, points one after the other."""
    told = []
    for name in PARAMETERS[curve.kind]:
        value = getattr(curve, name)
        if name == "points":
            told.append("points " + " ".join(f"({number(x)}, {number(y)})" for x, y in value))
        elif isinstance(value, tuple):
            told.append(f"{name} [{', '.join(map(number, value))}]")
        else:
            told.append(f"{name} {number(value)}")
    return ", ".join(told) or "none (they are published)"


def domain_in_words(curve: Curve) -> str:
    """Return between which inputs a curve holds."""
    return f"{number(curve.domain[0])} to {number(curve.domain[1])}"
