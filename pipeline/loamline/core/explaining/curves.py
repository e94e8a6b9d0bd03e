"""What an explanation says of calibration: each curve's formula with the numbers put in, computed by the core."""

from __future__ import annotations

import numpy as np

from loamline.core.calibration import (
    RECORD_TEMPERATURE_DEGC,
    apply_curves,
    coefficients,
    relative_count,
)
from loamline.core.explaining.words import Fields, number, shown, signed
from loamline_schemas.curves import Curve
from loamline_schemas.digest import content_digest
from loamline_schemas.registry import PlacementRow, ProbeRow

#: Where a kind of curve was published, for a curve that names no source itself.
PUBLISHED = {"topp1980": "Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582"}


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


def curve_told(curve: Curve | None, given: float | None, variable: str, result_name: str) -> Fields:
    """Return one curve applied to one figure: formula, domain, source and result, None outside the domain."""
    if curve is None:
        return {"curve": None, "input": given, "result": None, "inside_domain": None, "formula": None}
    which, figure = np.array([0]), np.array([np.nan if given is None else given])
    made, outside = apply_curves(figure, which, [curve])
    result = None if np.isnan(made[0]) else float(made[0])
    terms = coefficients(curve)
    return {
        "curve": curve.id,
        "digest": content_digest(curve),
        "kind": curve.kind,
        "coefficients": list(terms),
        "domain": list(curve.domain),
        "applies_to": curve.applies_to,
        "valid_from": curve.valid_from,
        "standard_error": curve.standard_error,
        "source": curve.source or PUBLISHED.get(curve.kind),
        "input": given,
        "inside_domain": None if given is None else not bool(outside[0]),
        "formula": f"{result_name} = {_polynomial(terms, variable)}",
        "result": result,
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


def _polynomial(terms: tuple[float, ...], variable: str) -> str:
    powers = ["", f" {variable}", *(f" {variable}^{power}" for power in range(2, len(terms)))]
    text = f"{number(terms[0])}{powers[0]}"
    for term, power in zip(terms[1:], powers[1:], strict=False):
        text += f" {'-' if term < 0 else '+'} {number(abs(term))}{power}"
    return text
