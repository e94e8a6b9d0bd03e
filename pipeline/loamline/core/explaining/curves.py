"""What an explanation says of calibration: each curve's formula with the numbers put in, computed by the core."""

from __future__ import annotations

import numpy as np

from loamline.core.calibration import (
    RECORD_TEMPERATURE_DEGC,
    apply_curves,
    coefficients,
    relative_count,
)
from loamline.core.curves.formula import formula
from loamline.core.curves.kinds import source, standard_error
from loamline.core.curves.mixing import ASSUMED_TEMPERATURE_DEGC
from loamline.core.curves.table import piece_at
from loamline.core.curves.water import water_permittivity
from loamline.core.explaining.words import Fields, number, shown, signed
from loamline_schemas.curves import PARAMETERS, Curve
from loamline_schemas.digest import content_digest
from loamline_schemas.registry import PlacementRow, ProbeRow


def relative_count_told(probe: ProbeRow | None, count: float | None, degc: float | None) -> Fields:
    """Return x, the corrected count between air (0) and water (1), with its formula; or why there is none."""
    why = _no_relative_count(probe, count, degc)
    told: Fields = {"name": "x", "formula": None, "result": None, "reason": why}
    if why is not None or probe is None or count is None:
        return told
    air, water, drift = (float(value or 0.0) for value in (probe.air_count, probe.water_count, probe.count_per_k))
    given = [np.array([np.nan if value is None else value]) for value in (count, degc, air, water, drift)]
    (result,) = relative_count(*given).tolist()
    warming = f"({number(degc)} - {number(RECORD_TEMPERATURE_DEGC)})" if degc is not None else "(no temperature)"
    correction = f" - {signed(drift)} * {warming}" if drift else ""
    told["formula"] = (
        "x = (count - count_per_k * (T - 20) - air_count) / (water_count - air_count) = "
        f"({number(count)}{correction} - {signed(air)}) / ({number(water)} - {signed(air)})"
    )
    told["result"] = result
    return told


def _no_relative_count(probe: ProbeRow | None, count: float | None, degc: float | None) -> str | None:
    if count is None:
        return "the payload brings no count"
    if probe is None:
        return "the probe is in no registry, so there is no factory record"
    if probe.air_count is None or probe.count_per_k is None:
        return "the probe's registry row holds no factory record"
    if degc is None and probe.count_per_k != 0:
        return "the factory record's temperature drift needs a soil temperature, and there is none"
    return None


def curve_told(
    curve: Curve | None, given: float | None, variable: str, result_name: str, degc: float | None = None
) -> Fields:
    """Return one curve applied to one figure: formula, domain, source and result, None outside the domain.

    `degc` is the soil's temperature, which kind mixing takes.
    """
    if curve is None:
        return {"curve": None, "input": given, "result": None, "inside_domain": None, "formula": None}
    which, (figure, warmth) = np.array([0]), (np.array([np.nan if told is None else told]) for told in (given, degc))
    made, outside = apply_curves(figure, which, [curve], warmth)
    result = None if np.isnan(made[0]) else float(made[0])
    return {
        "curve": curve.id,
        "digest": content_digest(curve),
        "kind": curve.kind,
        "coefficients": list(coefficients(curve)),
        "parameters": {name: getattr(curve, name) for name in PARAMETERS[curve.kind]},
        "domain": list(curve.domain),
        "applies_to": curve.applies_to,
        "valid_from": curve.valid_from,
        "standard_error": standard_error(curve),
        "standard_error_origin": _standard_error_origin(curve),
        "source": source(curve),
        "input": given,
        "inside_domain": None if given is None else not bool(outside[0]),
        "formula": formula(curve, variable, result_name, degc),
        "temperature": _temperature_told(degc) if curve.kind == "mixing" else None,
        "piece": _piece_told(curve, given, variable, result_name) if result is not None else None,
        "result": result,
    }


def _standard_error_origin(curve: Curve) -> str:
    if curve.standard_error is not None:
        return "told with the curve"
    if standard_error(curve) is not None:
        return f"usual for kind {curve.kind}, since the curve tells none"
    return "the curve tells none"


def _temperature_told(degc: float | None) -> Fields:
    """Return the temperature that a curve of kind mixing took, and what permittivity water has at it."""
    used = ASSUMED_TEMPERATURE_DEGC if degc is None else degc
    (water,) = water_permittivity(np.array([used])).tolist()
    return {
        "soil_temperature_degc": used,
        "assumed": degc is None,
        "water_permittivity": water,
        "source": "Malmberg & Maryott 1956, J. Res. NBS 56:1-8",
    }


def _piece_told(curve: Curve, given: float | None, variable: str, result_name: str) -> Fields | None:
    """Return the cubic between the two laboratory points that a figure lies between, None for other kinds."""
    if curve.kind != "table" or curve.points is None or given is None:
        return None
    piece = piece_at(curve.points, given)
    cubic, square, linear, constant = piece.coefficients
    return {
        "from_point": list(piece.first),
        "to_point": list(piece.last),
        "formula": (
            f"{result_name} = {number(constant)} + {signed(linear)} u + {signed(square)} u^2 + {signed(cubic)} u^3, "
            f"u = {variable} - {number(piece.start)}"
        ),
    }


def transducer_sentence(
    probe: ProbeRow | None, reported: float | None, x: Fields, step: Fields, result: float | None
) -> str:
    """Return in one sentence how the permittivity came about, or why there is none."""
    if reported is not None:
        return f"the payload brings the permittivity itself: {number(reported)}; no transducer curve is needed"
    if x["reason"] is not None:
        return f"no permittivity: {x['reason']}"
    if step["curve"] is None:
        hardware = probe.hardware if probe else "this hardware"
        return f"no permittivity: no transducer curve for {hardware} is in force at that instant"
    return _curve_sentence(step, "x", "permittivity", result)


def soil_sentence(placement: PlacementRow | None, step: Fields, result: float | None) -> str:
    """Return in one sentence how the water content came about, or why there is none."""
    if step["input"] is None:
        return "no water content: there is no permittivity"
    if step["curve"] is None and placement is None:
        return "no water content: the probe's depth is placed nowhere at that instant, so its soil is unknown"
    if step["curve"] is None:
        return (
            f"no water content: no soil curve for {placement.texture if placement else ''} is in force at that instant"
        )
    return _curve_sentence(step, "permittivity", "water content", result)


def _curve_sentence(step: Fields, given: str, made: str, result: float | None) -> str:
    low, high = step["domain"]
    domain = f"{number(low)} to {number(high)}"
    if result is None:
        return f"no {made}: {given} {number(step['input'])} lies outside the curve's domain, {domain}"
    since = shown(step["valid_from"])
    return f"{given} lies in the domain of curve {step['curve']}, {domain}, in force since {since}"
