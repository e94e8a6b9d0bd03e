"""What `explain` says of supply, contact and fall bears out the flag: its numbers, and the bound that it names.

The flags are the checks' own; each verdict is drawn again here from nothing but the evidence that is shown.
"""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.contact import check_contact
from loamline.core.checks.fall import check_fall
from loamline.core.checks.supply import check_supply
from loamline.core.explaining.check_of_the_fall import fall_told
from loamline.core.explaining.checks_of_the_probe import contact_told, supply_told
from loamline.core.explaining.neighbours import Neighbours
from loamline.core.explaining.words import number
from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict
from tests.core.series_builder import Thresholds, make_series

CHECKS = {
    "supply": (check_supply, supply_told),
    "contact": (check_contact, contact_told),
    "fall": (check_fall, fall_told),
}
SHARED = {field.name for field in fields(Neighbours)} - {"index", "at_us", "placement", "limits"}


def told_of_all(name, series, limits):
    """Return what is told of each sample of one probe and depth; `limits` are of each sample."""
    check, told = CHECKS[name]
    scalars = [field for field, value in limits[0].model_dump().items() if not isinstance(value, tuple)]
    flags = check(series, Thresholds({field: np.array([getattr(row, field) for row in limits]) for field in scalars}))
    columns = {field: getattr(series, field) for field in SHARED}
    placement = [f"placement {number}" for number in series.placement]
    return [
        told(Neighbours(i, series.measured_at_us, placement=placement, limits=limits, **columns), Verdict(flag))
        for i, flag in enumerate(flags)
    ]


def told_of_last(name, *, limits=None, at=-1, **columns):
    series = make_series(**columns)
    return told_of_all(name, series, [Limits(**(limits or {}))] * len(series.series))[at]


def drawn(data, **columns):
    """Return a little series of one probe and depth, and limits that change on the way."""
    m = data.draw(st.integers(1, 30))
    told = {name: [data.draw(st.sampled_from(values)) for _ in range(m)] for name, values in columns.items()}
    hours = np.cumsum(data.draw(st.lists(st.sampled_from([0.25, 1.0, 1.0, 1.0, 3.0]), min_size=m, max_size=m)))
    return make_series(hours=hours, **told), m


def changing(data, m, *kinds):
    change = data.draw(st.integers(0, m))
    return [Limits(**kinds[0])] * change + [Limits(**kinds[1])] * (m - change)


def named(told):
    """Return the thresholds that a reason names."""
    return {name for name in told["thresholds"] if name in told["reason"]}


# --- supply -------------------------------------------------------------------------------------------------------


def supply_drawn_again(evidence, bounds):
    """Return the verdict that the evidence gives, and the grounds of it."""
    supply, before = evidence["supply_v"], evidence["before"]
    if supply is not None and supply < bounds["supply_fail_v"]:
        return "fail", {"supply_fail_v"}
    grounds = {"supply_low"} if evidence["supply_low"] else set()
    if supply is not None and supply < bounds["supply_suspect_v"]:
        grounds.add("supply_suspect_v")
    elif before and None not in (before["fall_v"], before["explained_v"]) and before["fall_v"] > before["explained_v"]:
        grounds.add("supply_sag_v")
    if grounds:
        return "suspect", grounds
    return ("not_evaluated" if supply is None and evidence["supply_low"] is None else "pass"), grounds


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_what_is_told_of_the_supply_gives_its_flag_and_names_its_grounds(data):
    volts, degc = [3.6, 3.6, 3.6, 3.5, 3.3, 3.2, 2.8, 2.7, 2.5, 2.4, None], [12.0, 12.0, 2.0, -8.0, None]
    series, m = drawn(data, supply=volts, temperature=degc, supply_low=[0, 0, 0, 1, None])
    for told in told_of_all("supply", series, changing(data, m, {"supply_window_hours": 12}, {"supply_sag_v": 0.3})):
        flag, grounds = supply_drawn_again(told["evidence"], told["thresholds"])
        assert told["flag"] == flag
        if flag in ("suspect", "fail"):
            parts = ("supply_fail_v", "supply_suspect_v", "supply_sag_v", "supply_low")
            assert {part for part in parts if part in told["reason"]} == grounds


@pytest.mark.parametrize(
    ("volts", "reason"),
    [
        ([2.4], "2.4 V is under supply_fail_v 2.5"),
        ([2.75], "2.75 V is under supply_suspect_v 2.8"),
        (
            [3.5],
            (
                "3.5 V is not under supply_suspect_v 2.8, and too few voltages are there to judge a fall (at least 6 "
                "before, and its own)"
            ),
        ),
        (
            [*[3.5] * 6, 3.25],
            (
                "3.25 V is 0.25 V under the median of supply_window_hours 72 before, over the 0.2 V that "
                "supply_sag_v 0.2 and 0 K of cold let pass"
            ),
        ),
        (
            [*[3.5] * 6, 3.375],
            (
                "3.375 V is not under supply_suspect_v 2.8, and 0.125 V under the median of "
                "supply_window_hours 72 before is not over the 0.2 V that supply_sag_v and cold let pass"
            ),
        ),
        (
            [*[3.5] * 6, 3.5],
            ("3.5 V is not under supply_suspect_v 2.8, and not under the median of supply_window_hours 72 before"),
        ),
    ],
)
def test_a_supply_s_reason_in_full(volts, reason):
    assert told_of_last("supply", supply=volts)["reason"] == reason


def test_a_supply_of_which_the_probe_says_little_is_told_so():
    assert told_of_last("supply", supply=None, supply_low=None)["reason"] == "the payload says nothing of the supply"
    assert told_of_last("supply", supply=None)["reason"].startswith("the probe does not report its supply as low")
    low = told_of_last("supply", supply=2.75, supply_low=1)["reason"]
    assert low == "2.75 V is under supply_suspect_v 2.8, and the probe reports that its supply sagged (supply_low)"
    warm = told_of_last("supply", supply=[*[3.5] * 6, 3.375], temperature=[*[0.0] * 6, 30.0])
    assert (warm["flag"], warm["evidence"]["before"]["colder_k"]) == ("pass", 0.0)
    cold = told_of_last("supply", supply=[*[3.5] * 6, 3.25], temperature=[*[9.0] * 6, None])["reason"]
    assert cold.endswith("and too few temperatures are there to judge a fall (at least 6 before, and its own)")


# --- contact ------------------------------------------------------------------------------------------------------


def contact_drawn_again(evidence, fault):
    """Return the verdict that the evidence gives; a transducer fault is the payload's to tell."""
    if evidence["depth_cm"] is None:
        return "not_evaluated"
    swing = evidence["swing"]
    if swing and any((swing[f"moved_{side}_k"] or 0) > swing["most_k"] for side in ("before", "after")):
        return "fail"
    if evidence["in_air"] or evidence["tilted"]:
        return "suspect"
    if fault:
        return "missing"
    return "not_evaluated" if evidence["permittivity"] is None and evidence["tilted"] is None else "pass"


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_what_is_told_of_the_contact_gives_its_flag_and_names_its_grounds(data):
    series, m = drawn(
        data,
        permittivity=[1.02, 1.02, 1.5, 2.5, 15.0, None],
        relative_count=[-0.01, 0.0, 0.4, None],
        temperature=[4.0, 6.0, 9.0, 14.0, None],
        tilted=[0, 0, 1, None],
        depth_cm=[20.0, 20.0, 60.0, None],
        placement=[0, 0, 0, 1],
        moisture_fault=[False, False, False, True],
    )
    limits = changing(data, m, {"contact_window_hours": 4}, {"contact_air_permittivity": 1.01})
    for i, told in enumerate(told_of_all("contact", series, limits)):
        evidence, bounds, reason = told["evidence"], told["thresholds"], told["reason"]
        assert told["flag"] == contact_drawn_again(evidence, series.moisture_fault[i])
        low = evidence["permittivity"] is not None and evidence["permittivity"] <= bounds["contact_air_permittivity"]
        assert evidence["in_air"] == (low or (evidence["relative_count"] or 0) < 0)
        if told["flag"] in ("suspect", "fail"):
            assert ("tilted" in reason) == bool(evidence["tilted"])
            assert ("samples in air" in reason or "no sample in air" in reason) == evidence["in_air"]
            assert (" K, over " in reason) == (told["flag"] == "fail")
            surface = evidence["in_air"] and evidence["swing"]["let_through_k"] >= bounds["contact_least_swing_k"]
            if " K, " in reason:
                assert ("contact_surface_swing_k" in reason, "contact_least_swing_k" in reason) == (
                    surface,
                    not surface,
                )
            if "at most contact_air_permittivity" in reason:
                assert low


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ({}, "permittivity 15 is over contact_air_permittivity 1.5, and the probe reports that it is upright"),
        (
            {"tilted": None},
            "permittivity 15 is over contact_air_permittivity 1.5, and the payload says nothing of tilt",
        ),
        ({"permittivity": None}, "the probe reports that it is upright; there is no permittivity"),
        ({"permittivity": None, "tilted": None}, "there is neither a permittivity nor a word on tilt"),
        ({"depth_cm": None}, "no placement says that the probe is in the soil"),
        ({"moisture_fault": True}, "the probe reported a transducer fault in place of a figure"),
        ({"tilted": 1}, "the probe reports that it is tilted"),
        (
            {"permittivity": None, "relative_count": -0.25, "temperature": None},
            (
                "the corrected count lies under the probe's count in air (x = -0.25); within contact_window_hours 24 "
                "no sample in air has a temperature, so that none swings like air's"
            ),
        ),
        (
            {"permittivity": 1.25, "temperature": [8.0, 16.0], "depth_cm": 200},
            (
                "permittivity 1.25 is at most contact_air_permittivity 1.5; within contact_window_hours 24 before it, "
                "samples in air differ by 8 K, over contact_least_swing_k 3"
            ),
        ),
    ],
)
def test_a_contact_s_reason_in_full(columns, reason):
    assert told_of_last("contact", **columns)["reason"] == reason


def test_a_swing_is_told_beside_what_the_soil_would_let_through_at_that_depth():
    """16 K exp(-20/14.82) = 4.15 K: the damping depth of 8e-7 m2/s over a day (van Wijk & de Vries 1963)."""
    columns = {"permittivity": 1.25, "temperature": [8.0, 16.0, 8.0]}
    told = told_of_last("contact", at=0, **columns)
    assert told["evidence"]["swing"]["damping_depth_cm"] == pytest.approx(14.83, abs=0.01)
    assert told["evidence"]["swing"]["let_through_k"] == pytest.approx(4.15, abs=0.01)
    assert "within contact_window_hours 24 after it, samples in air differ by 8 K, over the 4.15" in told["reason"]
    assert told["reason"].endswith(" K that contact_surface_swing_k 16 leaves at 20 cm")
    calm = told_of_last("contact", permittivity=1.25, temperature=[8.0, 9.0])
    assert (calm["flag"], " differ by 1 K, not over the 4.15" in calm["reason"]) == ("suspect", True)


# --- fall ---------------------------------------------------------------------------------------------------------


def fall_drawn_again(evidence, fault):
    """Return the verdict that the evidence gives; a transducer fault is the payload's to tell."""
    before, step, memory, after = (evidence[part] for part in ("before", "step", "memory", "after"))
    if fault:
        return "missing"
    if evidence["vwc_m3_m3"] is None or before is None or not before["near_enough"]:
        return "not_evaluated"
    steep = step["fallen_m3_m3"] > step["steep_over_m3_m3"] and not step["near_freezing"]
    assert steep == (memory is not None)
    if not steep or memory["under_lowest_m3_m3"] <= memory["suspect_over_m3_m3"]:
        return "pass"
    if evidence["return"]["highest_m3_m3"] > evidence["return"]["halfway_m3_m3"]:
        return "pass"
    if after is None or not after["near_enough"] or not memory["reaches_back"]:
        return "not_evaluated"
    return "fail" if memory["under_lowest_m3_m3"] > memory["fail_over_m3_m3"] else "suspect"


#: Levels that last, so that falls, returns and records as long as the memory come up.
levels = st.lists(
    st.tuples(st.sampled_from([0.05, 0.10, 0.20, 0.30, 0.45, None]), st.integers(1, 9)), min_size=2, max_size=7
)


@settings(max_examples=250, deadline=None)
@given(data=st.data(), levels=levels)
def test_what_is_told_of_a_fall_gives_its_flag_and_names_its_bound(data, levels):
    vwc = [level for level, lasts in levels for _ in range(lasts)]
    m = len(vwc)
    rare = st.integers(0, 4 * m)
    warm, faulty = np.full(m, 9.0), np.zeros(m, dtype=bool)
    warm[data.draw(rare) :] = data.draw(st.sampled_from([0.25, np.nan]))
    faulty[data.draw(rare) :][:1] = True
    steps = data.draw(st.lists(st.sampled_from([0.25, *[1.0] * 9, 2.0, 3.0]), min_size=m, max_size=m))
    series = make_series(
        vwc=vwc,
        hours=np.cumsum(steps),
        temperature=warm,
        moisture_fault=faulty,
        placement=np.arange(m) >= data.draw(rare),
    )
    short = {"fall_memory_hours": 4, "fall_return_hours": 2}
    limits = changing(data, m, short, {**short, "largest_gap_minutes": 200, "fall_suspect_per_hour": 0.1})
    for i, told in enumerate(told_of_all("fall", series, limits)):
        assert told["flag"] == fall_drawn_again(told["evidence"], series.moisture_fault[i])
        memory = told["evidence"]["memory"]
        if told["flag"] in ("suspect", "fail"):
            expected = {f"fall_{told['flag']}_per_hour", "fall_memory_hours"}
            assert named(told) == expected | ({"fall_drainage_per_hour"} if memory["drainage_per_hour"] else set())
            assert f"over {number(memory[told['flag'] + '_over_m3_m3'])} m3/m3 (" in told["reason"]
        elif memory is not None and told["flag"] == "not_evaluated":
            assert ", but " in told["reason"]
            assert ("reach back" in told["reason"]) <= (not memory["reaches_back"])


#: Three days of the same, so that the record is as long as the memory.
BEFORE = [0.25] * 73


@pytest.mark.parametrize(
    ("vwc", "columns", "reason"),
    [
        ([0.25], {}, "it is the first sample with a water content in this placement"),
        ([0.25, None], {}, "the sample has no water content"),
        ([0.25, 0.25], {}, "it does not stand under the sample before"),
        (
            [0.25, 0.21875],
            {},
            "it stands 0.03125 m3/m3 under the sample before, not over 0.06 m3/m3 (fall_suspect_per_hour 0.06, in 1 h)",
        ),
        ([0.25, 0.125], {"hours": [0, 3]}, "the sample before is 180 minutes away, over largest_gap_minutes"),
        (
            [0.25, 0.125],
            {"temperature": [0.25, 9]},
            "it fell by 0.125 m3/m3 near freezing, where the frost check has its word",
        ),
        (
            [0.25, 0.5, 0.25],
            {},
            (
                "it fell by 0.25 m3/m3, but stands only 0 m3/m3 under the lowest of fall_memory_hours 72 before, "
                "not over 0.06 m3/m3 (fall_suspect_per_hour 0.06, in 1 h)"
            ),
        ),
    ],
)
def test_the_reason_for_passing_a_fall_or_not_judging_it(vwc, columns, reason):
    assert told_of_last("fall", vwc=vwc, **columns)["reason"] == reason


UNDER = "m3/m3 under the lowest of fall_memory_hours 72 before, over"
STEEP = f"it stands 0.125 {UNDER} 0.06 m3/m3 (fall_suspect_per_hour 0.06, in 1 h)"
FATAL = f"it stands 0.21875 {UNDER} 0.2 m3/m3 (fall_fail_per_hour 0.2, in 1 h)"
DRAINS = {"fall_suspect_per_hour": 0.0625, "fall_drains_above": 0.2, "fall_drainage_per_hour": 0.03125}
MORE = "0.09375 m3/m3 (fall_suspect_per_hour 0.0625 and fall_drainage_per_hour 0.03125, in 1 h)"


@pytest.mark.parametrize(
    ("vwc", "limits", "flag", "reason"),
    [
        ([*BEFORE, 0.125, 0.125], {}, "suspect", STEEP),
        ([*BEFORE, 0.125, 0.125], {"fall_drains_above": 0.25}, "suspect", STEEP),
        ([*BEFORE, 0.03125, 0.03125], {}, "fail", FATAL),
        ([*BEFORE, 0.125, 0.125], DRAINS, "suspect", f"it stands 0.125 {UNDER} {MORE}"),
        (
            [*BEFORE, 0.125, 0.25],
            {},
            "pass",
            f"{STEEP}, but within fall_return_hours 6 it is back at 0.25, over 0.1875 m3/m3",
        ),
        (
            [0.25, 0.125, 0.125],
            {},
            "not_evaluated",
            f"{STEEP}, but the record does not reach back over fall_memory_hours",
        ),
        (
            [*BEFORE, 0.125, None],
            {},
            "not_evaluated",
            f"{STEEP}, but no later sample with a water content in this placement bears it out yet",
        ),
    ],
)
def test_the_reason_for_a_fall_that_is_too_steep(vwc, limits, flag, reason):
    told = told_of_last("fall", vwc=vwc, limits=limits, at=-2)
    assert (told["flag"], told["reason"]) == (flag, reason)


def test_water_that_is_back_at_the_very_end_of_the_hours_given_to_it_is_told_to_be_back():
    told = told_of_last("fall", vwc=[*BEFORE, *[0.125] * 6, 0.25], at=len(BEFORE))
    assert (told["flag"], told["evidence"]["return"]["samples"]) == ("pass", 6)
    assert told["reason"].endswith("it is back at 0.25, over 0.1875 m3/m3")


def test_a_fall_after_which_the_probe_was_silent_is_told_to_stand_alone():
    told = told_of_last("fall", vwc=[*BEFORE, 0.125, 0.125], hours=[*range(74), 80], at=-2)
    assert told["flag"] == "not_evaluated"
    assert told["reason"].endswith(", but the sample after is 420 minutes away, over largest_gap_minutes")
