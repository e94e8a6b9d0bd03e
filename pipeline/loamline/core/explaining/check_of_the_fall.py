"""What an explanation says of the fall check: thresholds in force, the samples looked at, the flag, the reason.

The flag comes from the chain itself (`loamline.core.checks.fall`). The reason follows the check's own steps: is there
a sample before, is the step steep, does it go under what stood there all the time, did the water come back, and is
enough of the record there to say so.
"""

from __future__ import annotations

import numpy as np

from loamline.core.columns import HOUR_US, MINUTE_US, Ints, instant
from loamline.core.explaining.neighbours import Neighbours, check_told, figure
from loamline.core.explaining.words import Fields, number
from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict


def fall_told(near: Neighbours, flag: Verdict) -> Fields:
    """Return what the fall check looked at: the step, the lowest of the memory, and what came after."""
    limits, i = near.own, near.index
    start, end = near.stay
    rows = start + np.flatnonzero(~np.isnan(near.vwc_m3_m3[start:end]))
    own = int(np.searchsorted(rows, i))
    before = int(rows[own - 1]) if not np.isnan(near.vwc_m3_m3[i]) and own > 0 else None
    evidence: Fields = {
        "vwc_m3_m3": figure(near.vwc_m3_m3, i),
        "before": None if before is None else _beside(near, before, i),
        "step": None if before is None else _step(near, before),
        "memory": None,
        "return": None,
        "after": None,
    }
    if _steep(evidence):
        evidence["memory"] = _memory(near, rows, own, evidence["step"]["hours"])
        evidence["return"] = _return(near, rows, own)
        evidence["after"] = _beside(near, int(rows[own + 1]), int(rows[own + 1])) if own + 1 < len(rows) else None
    thresholds = {
        "fall_suspect_per_hour": limits.fall_suspect_per_hour,
        "fall_fail_per_hour": limits.fall_fail_per_hour,
        "fall_drains_above": limits.fall_drains_above,
        "fall_drainage_per_hour": limits.fall_drainage_per_hour,
        "fall_memory_hours": limits.fall_memory_hours,
        "fall_return_hours": limits.fall_return_hours,
        "largest_gap_minutes": limits.largest_gap_minutes,
        "frost_at_degc": limits.frost_at_degc,
        "frost_tolerance_k": limits.frost_tolerance_k,
    }
    return check_told("fall", flag, _reason(evidence, limits, flag), thresholds, evidence)


def _beside(near: Neighbours, j: int, later: int) -> Fields:
    """Return neighbour `j`; the gap to it is judged by the limits of the later of the two, as in the check."""
    gap_us = abs(int(near.at_us[j]) - int(near.at_us[near.index]))
    return {
        "measured_at": instant(near.at_us[j]),
        "vwc_m3_m3": figure(near.vwc_m3_m3, j),
        "soil_temperature_degc": figure(near.soil_temperature_degc, j),
        "gap_minutes": gap_us / MINUTE_US,
        "near_enough": gap_us <= round(near.limits[later].largest_gap_minutes * MINUTE_US),
    }


def _step(near: Neighbours, before: int) -> Fields:
    i = near.index
    hours = max((int(near.at_us[i]) - int(near.at_us[before])) / HOUR_US, 1.0)
    return {
        "fallen_m3_m3": float(near.vwc_m3_m3[before] - near.vwc_m3_m3[i]),
        "hours": hours,
        "steep_over_m3_m3": near.own.fall_suspect_per_hour * hours,
        "near_freezing": _near_freezing(near, i) or _near_freezing(near, before),
    }


def _near_freezing(near: Neighbours, j: int) -> bool:
    return bool(near.soil_temperature_degc[j] <= near.limits[j].frost_at_degc + near.limits[j].frost_tolerance_k)


def _steep(evidence: Fields) -> bool:
    before, step = evidence["before"], evidence["step"]
    if before is None or not before["near_enough"] or step["near_freezing"]:
        return False
    return bool(step["fallen_m3_m3"] > step["steep_over_m3_m3"])


def _memory(near: Neighbours, rows: Ints, own: int, hours: float) -> Fields:
    """Return the lowest of the hours before, how far under it the sample stands, and how far it may."""
    limits, at = near.own, near.at_us[rows]
    begin = int(at[own]) - round(limits.fall_memory_hours * HOUR_US)
    # The sample before always counts, however short the memory.
    first = min(int(np.searchsorted(at, begin)), own - 1)
    reached = int(np.searchsorted(at, begin - round(limits.largest_gap_minutes * MINUTE_US)))
    lowest = float(near.vwc_m3_m3[rows[first:own]].min())
    drainage = limits.fall_drainage_per_hour if lowest > limits.fall_drains_above else 0.0
    return {
        "since": instant(at[first]),
        "samples": own - first,
        "lowest_m3_m3": lowest,
        "under_lowest_m3_m3": float(lowest - near.vwc_m3_m3[rows[own]]),
        "drainage_per_hour": drainage,
        "suspect_over_m3_m3": (limits.fall_suspect_per_hour + drainage) * hours,
        "fail_over_m3_m3": (limits.fall_fail_per_hour + drainage) * hours,
        "reaches_back": bool(at[reached] <= begin),
    }


def _return(near: Neighbours, rows: Ints, own: int) -> Fields:
    """Return the highest of the hours after, and half of the step, over which it counts as back."""
    at, vwc = near.at_us[rows], near.vwc_m3_m3[rows]
    end = int(np.searchsorted(at, int(at[own]) + round(near.own.fall_return_hours * HOUR_US), side="right"))
    highest, halfway = float(vwc[own:end].max()), float((vwc[own] + vwc[own - 1]) / 2)
    return {"samples": end - own - 1, "highest_m3_m3": highest, "halfway_m3_m3": halfway, "back": highest > halfway}


def _reason(evidence: Fields, limits: Limits, flag: Verdict) -> str:
    if flag is Verdict.MISSING:
        return "the probe reported a transducer fault in place of a figure"
    if _steep(evidence):
        return _steep_reason(evidence, limits, flag)
    return _no_step(evidence) or _gentle_reason(evidence["step"], limits)


def _no_step(evidence: Fields) -> str:
    """Return why there is no step to judge; empty where there is one."""
    before = evidence["before"]
    if evidence["vwc_m3_m3"] is None:
        return "the sample has no water content"
    if before is None:
        return "it is the first sample with a water content in this placement"
    if not before["near_enough"]:
        return f"the sample before is {number(before['gap_minutes'])} minutes away, over largest_gap_minutes"
    return ""


def _gentle_reason(step: Fields, limits: Limits) -> str:
    """Return the sentence on a sample that may stand where it does, whatever came before and after."""
    fallen = step["fallen_m3_m3"]
    if fallen <= 0:
        return "it does not stand under the sample before"
    if fallen <= step["steep_over_m3_m3"]:
        bound = _bound(limits, "suspect", 0.0, step["hours"], step["steep_over_m3_m3"])
        return f"it stands {number(fallen)} m3/m3 under the sample before, not over {bound}"
    return f"it fell by {number(fallen)} m3/m3 near freezing, where the frost check has its word"


def _steep_reason(evidence: Fields, limits: Limits, flag: Verdict) -> str:
    """Return the sentence on a sample that stands steeply under the one before."""
    step, memory, back = evidence["step"], evidence["memory"], evidence["return"]
    level = "fail" if memory["under_lowest_m3_m3"] > memory["fail_over_m3_m3"] else "suspect"
    bound = _bound(limits, level, memory["drainage_per_hour"], step["hours"], memory[f"{level}_over_m3_m3"])
    hours = number(limits.fall_memory_hours)
    under = f"{number(memory['under_lowest_m3_m3'])} m3/m3 under the lowest of fall_memory_hours {hours} before"
    if memory["under_lowest_m3_m3"] <= memory["suspect_over_m3_m3"]:
        return f"it fell by {number(step['fallen_m3_m3'])} m3/m3, but stands only {under}, not over {bound}"
    steep = f"it stands {under}, over {bound}"
    if back["back"]:
        highest, halfway = number(back["highest_m3_m3"]), number(back["halfway_m3_m3"])
        hours = number(limits.fall_return_hours)
        return f"{steep}, but within fall_return_hours {hours} it is back at {highest}, over {halfway} m3/m3"
    if flag is not Verdict.NOT_EVALUATED:
        return steep
    if evidence["after"] is None:
        return f"{steep}, but no later sample with a water content in this placement bears it out yet"
    if not evidence["after"]["near_enough"]:
        gap = number(evidence["after"]["gap_minutes"])
        return f"{steep}, but the sample after is {gap} minutes away, over largest_gap_minutes"
    return f"{steep}, but the record does not reach back over fall_memory_hours"


def _bound(limits: Limits, level: str, drainage: float, hours: float, bound: float) -> str:
    name = f"fall_{level}_per_hour"
    more = f" and fall_drainage_per_hour {number(drainage)}" if drainage else ""
    return f"{number(bound)} m3/m3 ({name} {number(getattr(limits, name))}{more}, in {number(hours)} h)"
