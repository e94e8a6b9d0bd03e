"""Fall: water that goes faster than drainage takes it. Hourly; `.` pass, `s` suspect, `F` fail, `?`, `-`.

Shipped: over 0.06 m3/m3 an hour is suspect, over 0.20 fails, both 0.14 more from above 0.35; 72 h of memory.
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.fall import check_fall
from loamline_schemas.limits import Limits
from tests.core.series_builder import in_order, make_limits, make_series, some_rows, words

PUBLISHED = Path(__file__).parents[1] / "published" / "soilwater_saxton_rawls_2006_texture_classes.csv"
TEXTURES = list(csv.DictReader(PUBLISHED.read_text().splitlines()))
#: Three days of the same, so that the record is as long as the memory.
BEFORE = 72


def falls(*vwc, before=0.25, limits=None, **columns):
    """Return the flags of `vwc` after three even days at `before`."""
    series = make_series(vwc=[*[before] * BEFORE, *vwc], **columns)
    return words(check_fall(series, make_limits(series, **(limits or {}))))[BEFORE:]


def test_a_level_soil_passes_and_its_first_sample_has_nothing_before_it():
    series = make_series(n=5)
    assert words(check_fall(series, make_limits(series))) == "?...."


def test_water_that_was_there_for_days_and_goes_within_the_hour_is_suspect_then_fails():
    assert falls(0.18, 0.18, 0.18) == "s.."
    assert falls(0.04, 0.04, 0.04) == "F.."


@pytest.mark.parametrize(("lost", "flag"), [(4, "."), (5, "s"), (12, "s"), (13, "F")])
def test_exactly_the_threshold_passes(lost, flag):
    """Sixty-fourths, so that every figure here is exact."""
    limits = {"fall_suspect_per_hour": 4 / 64, "fall_fail_per_hour": 12 / 64}
    assert falls(*[(16 - lost) / 64] * 2, before=16 / 64, limits=limits) == f"{flag}."


def test_a_rise_never_flags_however_steep():
    assert falls(0.45, 0.45, 0.44) == "..."


# --- what drains --------------------------------------------------------------------------------------------------


def test_an_irrigation_pulse_falls_as_sharply_as_it_rose():
    assert falls(0.42, 0.28, 0.26, 0.25, before=0.20) == "...."


def test_rain_in_a_crack_comes_and_goes_within_hours_down_to_where_it_began():
    assert falls(0.45, 0.30, 0.26, 0.21, before=0.25) == "...."


def test_what_came_within_the_memory_may_go_and_what_came_before_may_not():
    """The pulse of hour 0 stood for 71 or 72 hours when it goes."""
    series = {"before": 0.12}
    assert falls(*[0.34] * 71, 0.14, 0.14, **series)[-2:] == ".."
    assert falls(*[0.34] * 73, 0.14, 0.14, **series)[-2:] == "s."


def test_below_where_the_pulse_began_it_counts():
    assert falls(0.42, 0.13, 0.13, before=0.20) == ".s."


def test_a_plateau_above_035_may_drain_as_quickly_as_saturated_loamy_sand():
    assert falls(0.46 - 0.138, 0.31, before=0.46) == ".."
    assert falls(0.46 - 0.21, 0.24, before=0.46) == "s."


@pytest.mark.parametrize("row", TEXTURES, ids=lambda row: row["texture_class"])
@pytest.mark.parametrize("layer_mm", [50, 100])
def test_no_class_drains_in_its_first_hour_from_saturation_what_the_limits_call_a_fall(row, layer_mm):
    """Saxton & Rawls 2006, eq. 17 and 18 (numbers MEMORY) and Table 3; unit gradient, no water from above."""
    wp, fc, saturation = (
        float(row[f"table3_{name}_pct_vol"]) / 100
        for name in ("wilting_point_1500kPa", "field_capacity_33kPa", "saturation_0kPa")
    )
    n = 3 + 2 * math.log(1500 / 33) / math.log(fc / wp)
    rate = (n - 1) * float(row["table3_ksat_mm_h"]) / (layer_mm * saturation)

    def drained(vwc, hours):
        return saturation * ((vwc / saturation) ** (1 - n) + rate * hours) ** (1 / (1 - n))

    limits = Limits()
    assert saturation > limits.fall_drains_above
    assert saturation - drained(saturation, 1) <= limits.fall_drainage_per_hour
    for hours in (0.25, 1, 2.5):
        after = [drained(saturation, hours * step) for step in (1, 2)]
        assert falls(*after, before=saturation, hours=[*range(BEFORE), 71 + hours, 71 + 2 * hours]) == ".."
        drier = limits.fall_drains_above
        assert drier - drained(drier, hours) < limits.fall_suspect_per_hour * max(hours, 1)


# --- what is no fall ----------------------------------------------------------------------------------------------


def test_water_that_is_back_within_six_hours_never_left():
    assert falls(*[0.10] * 6, 0.25) == "......."
    assert falls(*[0.10] * 7, 0.25)[0] == "s"


def test_back_means_by_more_than_half_of_the_step():
    assert falls(8 / 64, 8 / 64, 12 / 64, 12 / 64, before=16 / 64) == "s..."
    assert falls(8 / 64, 8 / 64, 13 / 64, 13 / 64, before=16 / 64) == "...."


def test_near_freezing_ice_hides_the_water_and_the_frost_check_has_its_word():
    degc = [5.0] * BEFORE
    assert falls(0.10, 0.10, temperature=[*degc, 0.5, 0.4]) == ".."
    assert falls(0.10, 0.10, temperature=[*degc, 0.51, 0.6]) == "s."


def test_two_hours_allow_twice_as_much_and_a_quarter_of_an_hour_allows_no_less():
    hours = list(range(BEFORE))
    assert falls(0.14, 0.14, hours=[*hours, 73, 74]) == ".."
    assert falls(0.12, 0.12, hours=[*hours, 73, 74]) == "s."
    assert falls(0.20, 0.20, hours=[*hours, 71.25, 71.5]) == ".."


# --- when it can't be told ----------------------------------------------------------------------------------------


def test_a_steep_step_is_not_evaluated_until_its_right_neighbour_comes():
    assert falls(0.10) == "?"
    assert falls(0.10, 0.10) == "s."
    assert falls(0.10, 0.24) == ".."


def test_a_steep_step_in_a_record_shorter_than_the_memory_is_not_evaluated():
    """Who knows what was irrigated an hour before the record begins."""
    series = make_series(vwc=[0.25] * 60 + [0.10] * 2)
    assert words(check_fall(series, make_limits(series))) == "?" + "." * 59 + "?."


def test_across_more_than_the_largest_gap_nothing_is_told():
    hours = list(range(BEFORE))
    assert falls(0.05, 0.05, hours=[*hours, 73.5, 74.5], before=0.34) == "s."
    assert falls(0.05, 0.05, hours=[*hours, 73.501, 74.5], before=0.34) == "?."


def test_fault_codes_and_missing_figures_are_passed_over():
    faults = [False] * BEFORE + [True, False, False]
    assert falls(0.25, 0.08, 0.08, moisture_fault=faults) == "-s."
    assert falls(None, 0.08, 0.08) == "?s."


def test_a_probe_that_was_moved_has_not_lost_water():
    assert falls(0.10, 0.10, placement=[1] * BEFORE + [2] * 2) == "?."


def test_no_samples_have_no_flags():
    series = make_series(n=0)
    assert words(check_fall(series, make_limits(series))) == ""


def test_a_lone_sample_is_not_evaluated():
    series = make_series(n=1)
    assert words(check_fall(series, make_limits(series))) == "?"


# --- the set of samples alone -------------------------------------------------------------------------------------

samples = st.lists(
    st.tuples(
        st.integers(0, 2),
        st.integers(0, 1),
        st.sampled_from([0.25, 1.0, 1.0, 1.0, 2.0, 4.0]),
        st.sampled_from([0.10, 0.20, 0.25, 0.25, 0.45, None]),
        st.sampled_from([9.0, 9.0, 9.0, 0.0, None]),
    ),
    min_size=1,
    max_size=50,
)
MEMORY_H, RETURN_H, GAP_H = 6, 3, 2.5
LIMITS = {"fall_memory_hours": MEMORY_H, "fall_return_hours": RETURN_H, "largest_gap_minutes": GAP_H * 60}


def judged(series):
    return words(check_fall(series, make_limits(series, **LIMITS)))


def drawn(rows):
    number, place, steps, vwc, degc = zip(*sorted(rows, key=lambda row: row[0]), strict=True)
    return make_series(series=number, placement=place, hours=np.cumsum(steps), vwc=vwc, temperature=degc)


@settings(max_examples=80, deadline=None)
@given(rows=samples, data=st.data())
def test_the_order_in_which_samples_came_changes_nothing(rows, data):
    series = drawn(rows)
    shuffled = some_rows(series, np.array(data.draw(st.permutations(range(len(rows))))))
    assert judged(some_rows(shuffled, in_order(shuffled))) == judged(series)


@settings(max_examples=150, deadline=None)
@given(rows=samples, data=st.data())
def test_a_batch_that_reaches_far_enough_is_judged_as_the_whole(rows, data):
    """The reach: memory and largest gap back; return or largest gap forward, whichever is longer."""
    series = drawn(rows)
    row = data.draw(st.integers(0, len(rows) - 1))
    hours = (series.measured_at_us - series.measured_at_us[row]) / 3.6e9
    own = series.series == series.series[row]
    near = np.flatnonzero(own & (hours >= -MEMORY_H - GAP_H) & (hours <= max(RETURN_H, GAP_H)))
    assert judged(some_rows(series, near))[int(np.flatnonzero(near == row)[0])] == judged(series)[row]


@settings(max_examples=80, deadline=None)
@given(
    dry=st.floats(0.02, 0.3),
    pulses=st.lists(st.tuples(st.floats(0.0, 0.2), st.floats(0.0, 1.0)), min_size=1, max_size=20),
)
def test_pulses_that_never_go_below_where_they_began_never_flag(dry, pulses):
    """However high, however sharp: after each, part or all of it is gone within the hour."""
    vwc = [level for height, kept in pulses for level in (dry + height, dry + height * kept)]
    assert set(falls(*vwc, before=dry)) == {"."}
