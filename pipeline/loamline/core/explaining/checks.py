"""What an explanation says of range, spike, stuck and frost: thresholds, the samples looked at, flag and reason.

The flags come from the chain itself (`loamline.core.checks`); here the evidence is laid out and put into words.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.range_bounds import PERMITTIVITY_SPAN
from loamline.core.checks.stuck import PERMITTIVITY_STEPS
from loamline.core.columns import HOUR_US, MINUTE_US, Floats, instant
from loamline.core.explaining.neighbours import Neighbours, check_told, figure, spread
from loamline.core.explaining.words import Fields, number, shown
from loamline_codecs import Sample
from loamline_schemas.verdicts import GRAVEST_FIRST, RangeCause, Verdict


def range_told(near: Neighbours, flag: Verdict, cause: RangeCause) -> Fields:
    """Return what the range check looked at."""
    limits, i = near.own, near.index
    figures = {
        "permittivity": figure(near.permittivity, i),
        "vwc_m3_m3": figure(near.vwc_m3_m3, i),
        "soil_temperature_degc": figure(near.soil_temperature_degc, i),
    }
    thresholds = {
        "vwc_fail": list(limits.vwc_fail),
        "vwc_suspect": list(limits.vwc_suspect),
        "temperature_fail": list(limits.temperature_fail),
        "permittivity": list(PERMITTIVITY_SPAN),
    }
    return check_told("range", flag, cause.sentence, thresholds, figures, cause=cause.word)


def spike_told(near: Neighbours, flag: Verdict, sample: Sample) -> Fields:
    """Return what the spike check looked at: both neighbours, and the steps to them."""
    i, limits = near.index, near.own
    sides = {"left": _side(near, i - 1, i), "right": _side(near, i + 1, i + 1)}
    own = figure(near.vwc_m3_m3, i)
    steps = [
        own - side["vwc_m3_m3"] if side and own is not None and side["vwc_m3_m3"] is not None else None
        for side in sides.values()
    ]
    height = None
    if steps[0] is not None and steps[1] is not None:
        height = min(abs(steps[0]), abs(steps[1])) if steps[0] * steps[1] > 0 else 0.0
    kept = 1 - steps[1] / steps[0] if height and steps[0] is not None and steps[1] is not None else None
    drains = kept is not None and steps[0] is not None and steps[0] > 0 and kept > limits.spike_kept_share
    thresholds = {
        "spike_suspect": limits.spike_suspect,
        "spike_fail": limits.spike_fail,
        "spike_kept_share": limits.spike_kept_share,
        "largest_gap_minutes": limits.largest_gap_minutes,
    }
    evidence = {**sides, "step_from_left": steps[0], "step_from_right": steps[1], "height": height, "kept_share": kept}
    if flag is Verdict.MISSING:
        reason = "the probe reported a transducer fault in place of a figure"
    elif flag is Verdict.NOT_EVALUATED:
        reason = _no_spike_check(sides, own, sample)
    elif not height:
        reason = "it does not stand off both neighbours in the same direction"
    elif flag is Verdict.PASS and drains:
        reason = (
            f"{number(kept)} of its rise is still there in the next sample, over spike_kept_share "
            f"{number(limits.spike_kept_share)}: a wetting that drains"
        )
    else:
        bound = "spike_fail" if flag is Verdict.FAIL else "spike_suspect"
        over = "not over" if flag is Verdict.PASS else "over"
        reason = (
            f"it stands off both neighbours in the same direction by {number(height)} m3/m3 (the smaller step), "
            f"{over} {bound} {number(thresholds[bound])}"
        )
    return check_told("spike", flag, reason, thresholds, evidence)


def _side(near: Neighbours, j: int, later: int) -> Fields | None:
    """Return neighbour `j`; the gap to it is judged by the limits of the later of the two, as in the check."""
    if not 0 <= j < len(near.at_us):
        return None
    gap = abs(int(near.at_us[j]) - int(near.at_us[near.index])) / MINUTE_US
    return {
        "measured_at": instant(near.at_us[j]),
        "vwc_m3_m3": figure(near.vwc_m3_m3, j),
        "gap_minutes": gap,
        "near_enough": gap <= near.limits[later].largest_gap_minutes,
        "same_placement": near.placement[j] == near.placement[near.index],
    }


def _no_spike_check(sides: dict[str, Fields | None], own: float | None, sample: Sample) -> str:
    if own is None:
        return "the sample has no water content"
    for name, side in sides.items():
        if side is None:
            return "it is the newest sample so far" if name == "right" else "it is the first sample"
        if not side["near_enough"]:
            return f"its {name} neighbour is {number(side['gap_minutes'])} minutes away, over largest_gap_minutes"
        if not side["same_placement"]:
            return f"its {name} neighbour was taken in another placement"
        if side["vwc_m3_m3"] is None:
            return f"its {name} neighbour has no water content"
    return f"nothing tells, with faults {list(sample.faults)}"


def stuck_told(near: Neighbours, flag: Verdict, sample: Sample) -> Fields:
    """Return what the stuck-value check looked at: how far figure and temperature moved over its two windows."""
    limits = near.own
    raw = np.where(np.isnan(near.moisture_count), np.rint(near.permittivity * PERMITTIVITY_STEPS), near.moisture_count)
    windows = {
        name: _window(near, raw, hours)
        for name, hours in (("suspect", limits.stuck_suspect_hours), ("fail", limits.stuck_fail_hours))
    }
    thresholds = {
        "stuck_suspect_hours": limits.stuck_suspect_hours,
        "stuck_fail_hours": limits.stuck_fail_hours,
        "stuck_counts": limits.stuck_counts,
        "stuck_temperature_k": limits.stuck_temperature_k,
        "largest_gap_minutes": limits.largest_gap_minutes,
    }
    short = windows["suspect"]
    if flag is Verdict.MISSING:
        reason = "the probe reported a transducer fault in place of a figure"
    elif sample.moisture_fault or np.isnan(raw[near.index]):
        reason = "the sample has no raw figure"
    elif flag is Verdict.PASS:
        reason = (
            f"the raw figure moved by {number(short['raw_moved'])}, over stuck_counts {number(limits.stuck_counts)}"
        )
    elif flag is Verdict.NOT_EVALUATED:
        reason = _not_stuck_yet(short, limits.stuck_suspect_hours)
    else:
        told = windows["fail" if flag is Verdict.FAIL else "suspect"]
        dead = told["raw_moved"] == 0 and told["temperature_moved_k"] == 0
        reason = (
            f"over {number(told['hours'])} h neither the raw figure nor the temperature moved at all"
            if dead
            else f"over {number(told['hours'])} h the raw figure moved by {number(told['raw_moved'])} while the "
            f"temperature moved by {number(told['temperature_moved_k'])} K"
        )
    return check_told("stuck", flag, reason, thresholds, windows)


def _not_stuck_yet(window: Fields, hours: float) -> str:
    if not window["covered"]:
        return f"the record does not reach back over {number(hours)} h yet"
    if not window["enough_figures"]:
        return f"there are raw figures for less than half of {number(hours)} h: {window['raw_figures']}"
    moved = number(window["temperature_moved_k"])
    return f"the raw figure stood still, but the temperature moved by {moved} K, too little to tell"


def _window(near: Neighbours, raw: Floats, hours: float) -> Fields:
    at, i = near.at_us, near.index
    begin = int(at[i]) - round(hours * HOUR_US)
    first = int(np.searchsorted(at, begin))
    reached = int(np.searchsorted(at, begin - round(near.own.largest_gap_minutes * MINUTE_US)))
    inside = slice(first, i + 1)
    return {
        "hours": hours,
        "since": instant(at[first]),
        "samples": i + 1 - first,
        "covered": bool(at[reached] <= begin),
        "raw_figures": (figures := int(np.count_nonzero(~np.isnan(raw[inside])))),
        "enough_figures": figures * near.own.interval_minutes >= hours * 60 / 2,
        "raw_moved": spread(raw[inside]),
        "temperature_moved_k": spread(near.soil_temperature_degc[inside]),
    }


def frost_told(near: Neighbours, flag: Verdict) -> Fields:
    """Return what the frost check looked at: the temperature, and the sample that last settled the state."""
    limits, i = near.own, near.index
    temperature = figure(near.soil_temperature_degc, i)
    freezing = np.array([limit.frost_at_degc for limit in near.limits[: i + 1]])
    thaw = freezing + np.array([limit.frost_tolerance_k for limit in near.limits[: i + 1]])
    degc = near.soil_temperature_degc[: i + 1]
    settled = np.flatnonzero((degc <= freezing) | (degc > thaw))
    last = None if not len(settled) else int(settled[-1])
    evidence: Fields = {
        "soil_temperature_degc": temperature,
        "settled_at": None if last is None else instant(near.at_us[last]),
        "settled_by_degc": None if last is None else figure(near.soil_temperature_degc, last),
    }
    thresholds = {"frost_at_degc": limits.frost_at_degc, "frost_tolerance_k": limits.frost_tolerance_k}
    at, tolerance = number(limits.frost_at_degc), number(limits.frost_tolerance_k)
    if temperature is None:
        reason = "the soil temperature is missing"
    elif flag is Verdict.PASS:
        reason = f"{number(temperature)} degC stands above {at} degC by more than the tolerance {tolerance} K"
    elif flag is Verdict.SUSPECT:
        reason = f"{number(temperature)} degC stands within {tolerance} K above {at} degC, and no frost came before"
    elif last == i:
        reason = f"{number(temperature)} degC is at or under {at} degC: ice is not seen as water"
    else:
        since = shown(evidence["settled_at"]) if last is not None else "before"
        reason = f"the soil froze at {since}, and has not thawed by more than {tolerance} K since"
    return check_told("frost", flag, reason, thresholds, evidence)


def roll_up_sentence(checks: list[Fields], verdict: Verdict, *, has_figure: bool) -> str:
    """Return in one sentence how the verdict follows from the checks."""
    worst = next(word for word in GRAVEST_FIRST if any(check["flag"] == word.word for check in checks))
    order = ", ".join(word.word for word in GRAVEST_FIRST)
    told = f"the worst in the order {order} is {worst.word}"
    if worst is verdict:
        by = ", ".join(check["check"] for check in checks if check["flag"] == worst.word)
        return f"{told}, by {by}"
    why = "but a reading without water content never passes" if not has_figure else "overruled"
    return f"{told}, {why}: {verdict.word}"
