"""What an explanation says of supply and contact: thresholds in force, the samples looked at, the flag, the reason.

The flags come from the chain itself (`loamline.core.checks`); a reason names each ground that holds.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.supply import LEAST_SAMPLES
from loamline.core.columns import HOUR_US, Bools, Floats, instant
from loamline.core.explaining.neighbours import Neighbours, check_told, figure, spread, yes_or_no
from loamline.core.explaining.words import Fields, number
from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict

_DAY_S = 86_400.0


def supply_told(near: Neighbours, flag: Verdict) -> Fields:
    """Return what the supply check looked at: voltage, the probe's own word, and the median of the hours before."""
    limits, i = near.own, near.index
    evidence: Fields = {
        "supply_v": figure(near.supply_v, i),
        "supply_low": yes_or_no(near.supply_low, i),
        "before": None if np.isnan(near.supply_v[i]) else _supply_before(near),
    }
    thresholds = {
        "supply_suspect_v": limits.supply_suspect_v,
        "supply_fail_v": limits.supply_fail_v,
        "supply_sag_v": limits.supply_sag_v,
        "supply_window_hours": limits.supply_window_hours,
        "supply_cold_v_per_k": limits.supply_cold_v_per_k,
    }
    if flag is Verdict.NOT_EVALUATED:
        reason = "the payload says nothing of the supply"
    elif flag is Verdict.FAIL:
        reason = f"{number(evidence['supply_v'])} V is under supply_fail_v {number(limits.supply_fail_v)}"
    elif flag is Verdict.SUSPECT:
        reason = ", and ".join(_supply_suspected(evidence, limits))
    elif evidence["supply_v"] is None:
        reason = "the probe does not report its supply as low, and tells no voltage"
    else:
        reason = (
            f"{number(evidence['supply_v'])} V is not under supply_suspect_v {number(limits.supply_suspect_v)}, and "
            f"{_no_sag(evidence['before'], limits)}"
        )
    return check_told("supply", flag, reason, thresholds, evidence)


def _supply_before(near: Neighbours) -> Fields:
    """Return how far the supply stands under the median of its window, and how much of that the check lets pass."""
    limits, i = near.own, near.index
    first = int(np.searchsorted(near.at_us, int(near.at_us[i]) - round(limits.supply_window_hours * HOUR_US)))
    usual, usual_degc = _median(near.supply_v[first:i]), _median(near.soil_temperature_degc[first:i])
    degc = figure(near.soil_temperature_degc, i)
    colder = None if usual_degc is None or degc is None else max(usual_degc - degc, 0.0)
    return {
        "since": instant(near.at_us[first]),
        "samples": i - first,
        "median_v": usual,
        "median_degc": usual_degc,
        "fall_v": None if usual is None else usual - float(near.supply_v[i]),
        "colder_k": colder,
        "explained_v": None if colder is None else limits.supply_sag_v + limits.supply_cold_v_per_k * colder,
    }


def _median(values: Floats) -> float | None:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) >= LEAST_SAMPLES else None


def _supply_suspected(evidence: Fields, limits: Limits) -> list[str]:
    supply, before = evidence["supply_v"], evidence["before"]
    grounds = []
    if supply is not None and supply < limits.supply_suspect_v:
        grounds.append(f"{number(supply)} V is under supply_suspect_v {number(limits.supply_suspect_v)}")
    elif before is not None and _judged(before) and before["fall_v"] > before["explained_v"]:
        grounds.append(
            f"{number(supply)} V is {number(before['fall_v'])} V under the median of supply_window_hours "
            f"{number(limits.supply_window_hours)} before, over the {number(before['explained_v'])} V that "
            f"supply_sag_v {number(limits.supply_sag_v)} and {number(before['colder_k'])} K of cold let pass"
        )
    if evidence["supply_low"]:
        grounds.append("the probe reports that its supply sagged (supply_low)")
    return grounds


def _no_sag(before: Fields, limits: Limits) -> str:
    if not _judged(before):
        lacking = "voltages" if before["fall_v"] is None else "temperatures"
        return f"too few {lacking} are there to judge a fall (at least {LEAST_SAMPLES} before, and its own)"
    if before["fall_v"] <= 0:
        return f"not under the median of supply_window_hours {number(limits.supply_window_hours)} before"
    return (
        f"{number(before['fall_v'])} V under the median of supply_window_hours {number(limits.supply_window_hours)} "
        f"before is not over the {number(before['explained_v'])} V that supply_sag_v and cold let pass"
    )


def _judged(before: Fields) -> bool:
    return before["fall_v"] is not None and before["explained_v"] is not None


def contact_told(near: Neighbours, flag: Verdict) -> Fields:
    """Return what the contact check looked at: tilt, signs of air, and the temperature of the samples in air nearby."""
    limits, i = near.own, near.index
    in_air = _in_air(near)
    depth_cm = figure(near.depth_cm, i)
    evidence: Fields = {
        "permittivity": figure(near.permittivity, i),
        "relative_count": figure(near.relative_count, i),
        "tilted": yes_or_no(near.tilted, i),
        "depth_cm": depth_cm,
        "in_air": bool(in_air[i]),
        "swing": None if depth_cm is None or not in_air[i] else _swing(near, in_air, depth_cm),
    }
    thresholds = {
        "contact_air_permittivity": limits.contact_air_permittivity,
        "contact_window_hours": limits.contact_window_hours,
        "contact_surface_swing_k": limits.contact_surface_swing_k,
        "contact_diffusivity_m2_s": limits.contact_diffusivity_m2_s,
        "contact_least_swing_k": limits.contact_least_swing_k,
    }
    return check_told("contact", flag, _contact_reason(evidence, limits, flag), thresholds, evidence)


def _in_air(near: Neighbours) -> Bools:
    """Return where permittivity or count are those of air, each by the limits of its own reading."""
    air = np.array([limit.contact_air_permittivity for limit in near.limits])
    return np.asarray((near.permittivity <= air) | (near.relative_count < 0.0))


def _swing(near: Neighbours, in_air: Bools, depth_cm: float) -> Fields:
    """Return how far the temperature moved over the samples in air before and after, and what soil lets through."""
    limits, i = near.own, near.index
    start, end = near.stay
    rows = start + np.flatnonzero(in_air[start:end])
    at, own_at = near.at_us[rows], int(near.at_us[i])
    span = round(limits.contact_window_hours * HOUR_US)
    before = rows[(rows <= i) & (at >= own_at - span)]
    after = rows[(rows >= i) & (at <= own_at + span)]
    damping_depth_cm = float(100.0 * np.sqrt(limits.contact_diffusivity_m2_s * _DAY_S / np.pi))
    let_through = float(limits.contact_surface_swing_k * np.exp(-depth_cm / damping_depth_cm))
    return {
        "samples_in_air_before": len(before) - 1,
        "samples_in_air_after": len(after) - 1,
        "moved_before_k": spread(near.soil_temperature_degc[before]),
        "moved_after_k": spread(near.soil_temperature_degc[after]),
        "damping_depth_cm": damping_depth_cm,
        "let_through_k": let_through,
        "most_k": max(let_through, limits.contact_least_swing_k),
    }


def _contact_reason(evidence: Fields, limits: Limits, flag: Verdict) -> str:
    permittivity, air = number(evidence["permittivity"]), number(limits.contact_air_permittivity)
    if flag is Verdict.MISSING:
        return "the probe reported a transducer fault in place of a figure"
    if evidence["depth_cm"] is None:
        return "no placement says that the probe is in the soil"
    if flag is Verdict.NOT_EVALUATED:
        return "there is neither a permittivity nor a word on tilt"
    tilt = {None: "the payload says nothing of tilt", False: "the probe reports that it is upright"}
    if flag is Verdict.PASS:
        told = tilt[evidence["tilted"]]
        if evidence["permittivity"] is None:
            return f"{told}; there is no permittivity"
        return f"permittivity {permittivity} is over contact_air_permittivity {air}, and {told}"
    grounds = []
    if evidence["tilted"]:
        grounds.append("the probe reports that it is tilted")
    if evidence["in_air"]:
        grounds.append(f"{_air_sentence(evidence, air)}; {_swing_sentence(evidence, limits)}")
    return ", and ".join(grounds)


def _air_sentence(evidence: Fields, air: str) -> str:
    if evidence["permittivity"] is not None and not (evidence["relative_count"] or 0.0) < 0.0:
        return f"permittivity {number(evidence['permittivity'])} is at most contact_air_permittivity {air}"
    return f"the corrected count lies under the probe's count in air (x = {number(evidence['relative_count'])})"


def _swing_sentence(evidence: Fields, limits: Limits) -> str:
    swing, hours = evidence["swing"], number(limits.contact_window_hours)
    if swing["let_through_k"] >= limits.contact_least_swing_k:
        surface, depth = number(limits.contact_surface_swing_k), number(evidence["depth_cm"])
        most = f"the {number(swing['most_k'])} K that contact_surface_swing_k {surface} leaves at {depth} cm"
    else:
        most = f"contact_least_swing_k {number(limits.contact_least_swing_k)}"
    moved = {side: swing[f"moved_{side}_k"] for side in ("before", "after") if swing[f"moved_{side}_k"] is not None}
    if not moved:
        return f"within contact_window_hours {hours} no sample in air has a temperature, so that none swings like air's"
    side = max(moved, key=lambda name: moved[name])
    over = "over" if moved[side] > swing["most_k"] else "not over"
    differ = f"samples in air differ by {number(moved[side])} K, {over} {most}"
    return f"within contact_window_hours {hours} {side} it, {differ}"
