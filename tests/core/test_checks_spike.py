"""Spike: a sample that stands off both neighbours the same way. Letters: `.` pass, `s` suspect, `F` fail, `?`, `-`."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.spike import check_spike
from tests.core.series_builder import make_limits, make_series, words

#: The shipped thresholds: more than 0.05 m3/m3 is suspect, more than 0.15 fails; neighbours within 150 minutes.


def spikes(*vwc, limits=None, **columns):
    series = make_series(vwc=list(vwc), **columns)
    return words(check_spike(series, make_limits(series, **(limits or {}))))


def test_a_level_series_passes_but_its_ends_are_not_evaluated():
    assert spikes(0.25, 0.25, 0.25, 0.25) == "?..?"


def test_a_sample_that_stands_off_both_neighbours_is_suspect_then_fails():
    assert spikes(0.25, 0.25, 0.31, 0.25, 0.25) == "?.s.?"
    assert spikes(0.25, 0.25, 0.41, 0.25, 0.25) == "?.F.?"


def test_a_dip_is_a_spike_as_well():
    assert spikes(0.25, 0.25, 0.19, 0.25, 0.25) == "?.s.?"


def test_the_smaller_of_the_two_steps_counts():
    assert spikes(0.25, 0.45, 0.41) == "?.?"
    assert spikes(0.25, 0.45, 0.28) == "?F?"
    assert spikes(0.25, 0.35, 0.27) == "?s?"
    assert spikes(0.39, 0.45, 0.25) == "?s?"


@pytest.mark.parametrize(("height", "flag"), [(8, "."), (9, "s"), (16, "s"), (17, "F")])
def test_exactly_the_threshold_passes_and_more_does_not(height, flag):
    """IOC Manuals and Guides 54: thresholds are strict. Steps of 1/64, so that every figure here is exact."""
    limits = {"spike_suspect": 8 / 64, "spike_fail": 16 / 64}
    assert spikes(16 / 64, (16 + height) / 64, 16 / 64, limits=limits) == f"?{flag}?"


def test_a_wetting_front_that_rises_at_once_and_stays_is_no_spike():
    assert spikes(0.15, 0.15, 0.40, 0.40, 0.39) == "?...?"


def test_a_rise_that_stays_in_part_is_a_wetting_that_drains_and_no_spike():
    """A dripper's hour on sand, rain in a crack: sharp, and gone by half within the hour, but never at once."""
    assert spikes(0.12, 0.12, 0.42, 0.35, 0.31, 0.28) == "?....?"
    assert spikes(0.30, 0.30, 0.42, 0.35, 0.33) == "?...?"


@pytest.mark.parametrize(("after", "flag"), [(16, "s"), (18, "s"), (19, "."), (22, ".")])
def test_a_rise_of_which_exactly_a_quarter_stays_is_still_a_spike(after, flag):
    """Up by 8/64; in sixty-fourths, so that a quarter is met exactly."""
    assert spikes(16 / 64, 24 / 64, after / 64, limits={"spike_suspect": 1 / 64}) == f"?{flag}?"


def test_a_dip_that_stays_in_part_is_a_spike_all_the_same():
    """Nothing drains upwards."""
    assert spikes(0.40, 0.20, 0.28) == "?s?"


def test_a_share_of_1_leaves_the_smaller_of_the_two_steps_alone():
    assert spikes(0.25, 0.45, 0.39, limits={"spike_kept_share": 1.0}) == "?s?"


def test_a_sharp_fall_that_stays_is_no_spike():
    assert spikes(0.40, 0.40, 0.15, 0.15) == "?..?"


@settings(max_examples=80, deadline=None)
@given(
    dry=st.floats(0.0, 0.3),
    steps=st.lists(st.floats(0.0, 0.2), min_size=1, max_size=12),
    level=st.integers(0, 6),
)
def test_a_rise_of_any_shape_that_then_stays_level_never_flags(dry, steps, level):
    """Rain, irrigation, water in a crack: however steep, water that stays is water."""
    rise = [dry + sum(steps[:i]) for i in range(len(steps) + 1)]
    flags = spikes(dry, *rise, *[rise[-1]] * level)
    assert set(flags) <= {".", "?"}
    assert flags == "?" + "." * (len(flags) - 2) + "?"


# --- when it can't be told ----------------------------------------------------------------------------------------


def test_the_newest_sample_is_not_evaluated_until_its_right_neighbour_comes():
    assert spikes(0.25, 0.25, 0.41) == "?.?"
    assert spikes(0.25, 0.25, 0.41, 0.25) == "?.F?"
    assert spikes(0.25, 0.25, 0.41, 0.41) == "?..?"


def test_a_neighbour_exactly_at_the_largest_gap_still_serves():
    assert spikes(0.25, 0.41, 0.25, hours=[0, 2.5, 5]) == "?F?"


@pytest.mark.parametrize("hours", [[0, 2.5001, 3.5], [0, 1, 3.5001]])
def test_a_neighbour_farther_away_than_the_largest_gap_does_not(hours):
    assert spikes(0.25, 0.41, 0.25, hours=hours) == "???"


@pytest.mark.parametrize("vwc", [[None, 0.41, 0.25], [0.25, 0.41, None], [0.25, None, 0.25]])
def test_without_all_three_figures_nothing_is_told(vwc):
    assert spikes(*vwc) == "???"


def test_a_fault_code_is_missing_and_serves_no_neighbour():
    assert spikes(0.25, 0.25, 0.41, 0.25, moisture_fault=[False, True, False, False]) == "?-??"


def test_a_sample_at_the_end_of_a_placement_has_no_neighbour_in_the_next():
    """The probe was dug up and put elsewhere: other soil, no comparison."""
    assert spikes(0.25, 0.25, 0.41, 0.25, 0.25, placement=[0, 0, 1, 1, 1]) == "???.?"


def test_other_probes_and_depths_are_no_neighbours():
    assert spikes(0.25, 0.41, 0.25, series=[0, 1, 1]) == "???"
    assert spikes(0.25, 0.25, 0.41, 0.25, 0.25, 0.25, series=[0, 0, 0, 1, 1, 1]) == "?.??.?"


@pytest.mark.parametrize("vwc", [(), (0.25,), (0.25, 0.60)])
def test_fewer_than_three_samples_are_not_evaluated(vwc):
    assert spikes(*vwc) == "?" * len(vwc)


def test_a_lone_fault_code_is_missing():
    assert spikes(0.25, moisture_fault=[True]) == "-"
