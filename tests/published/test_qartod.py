"""The checks against QARTOD's reference tests (ioos_qc 3.0.0, COMPUTED; README.md beside this file).

IOC Manuals and Guides 54 volume 3 (2013). Where our definition is the same, its cases are ours; where it differs on
purpose, a test shows the case and says why. Rate of change is left out: a wetting front is as steep as it likes.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.range_bounds import check_range
from loamline.core.checks.roll_up import roll_up
from loamline.core.checks.spike import check_spike
from loamline.core.checks.stuck import check_stuck
from loamline_schemas.verdicts import GRAVEST_FIRST, Verdict
from tests.core.series_builder import START_US, make_limits, make_series

PUBLISHED = json.loads((Path(__file__).parent / "qartod_cases.json").read_text())
CASES = {case["name"]: case for case in PUBLISHED["cases"]}


def missing(case):
    return [value is None for value in case["input"]]


def ranged(case):
    """Return our range flags; a missing value is the probe's fault code, other columns are left out of it."""
    spans = case["parameters"]
    series = make_series(vwc=case["input"], moisture_fault=missing(case), permittivity=None, temperature=None)
    usual = spans.get("suspect_span", spans["fail_span"])
    return check_range(series, make_limits(series, vwc_fail=spans["fail_span"], vwc_suspect=usual))[0].tolist()


def spiked(case):
    """Return our spike flags of hourly samples."""
    series = make_series(vwc=case["input"], moisture_fault=missing(case))
    given_ = case["parameters"]
    limits = make_limits(series, spike_suspect=given_["suspect_threshold"], spike_fail=given_["fail_threshold"])
    return check_spike(series, limits).tolist()


def stuck(case, *, resolution, temperature):
    """Return our stuck flags; values as counts of a thousandth, in a soil of the given temperatures."""
    counts = [None if value is None else round(value * 1000) for value in case["input"]]
    hours = (np.array(case["time_unix_s"]) - START_US / 1e6) / 3600
    series = make_series(count=counts, moisture_fault=missing(case), hours=hours, temperature=temperature)
    limits = make_limits(
        series,
        stuck_suspect_hours=case["parameters"]["suspect_threshold"] / 3600,
        stuck_fail_hours=case["parameters"]["fail_threshold"] / 3600,
        stuck_counts=resolution,
    )
    return check_stuck(series, limits).tolist()


def swinging(case):
    return [10.0, 13.0] * (len(case["input"]) // 2)


def test_the_flags_are_the_published_numbers():
    assert {str(int(flag)) for flag in Verdict} == set(PUBLISHED["flag_scheme"])


#: Left out on purpose: a wetting front is as steep as it likes. A fall that is too steep has a check of its own.
RATE_OF_CHANGE = {"roc_irregular", "roc_missing"}


def test_every_published_case_is_compared_here_or_left_out_by_name():
    told = Path(__file__).read_text()
    assert {name for name in CASES if f'"{name}"' not in told} == set()
    assert {name for name, case in CASES.items() if case["test"] == "rate_of_change_test"} == RATE_OF_CHANGE


# --- gross range --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["vwc_range", "vwc_range_fail_only", "battery_range"])
def test_gross_range_as_published(name):
    assert ranged(CASES[name]) == CASES[name]["flags"]


# --- spike --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["spike_differential", "spike_suspect", "spike_threshold_equal_is_good"])
def test_spike_as_published(name):
    """The differential method; in the last two cases the averaging method comes to the same."""
    assert spiked(CASES[name]) == CASES[name]["flags"]


def test_a_step_is_no_spike_unlike_in_the_averaging_method():
    """Averaging flags both sides of a wetting front; water that stays is water, so ours is the differential method."""
    case = CASES["spike_step_not_spike"]
    assert case["flags"] == [2, 1, 3, 3, 1, 2]
    assert spiked(case) == [2, 1, 1, 1, 1, 2]


def test_the_neighbour_of_a_spike_is_none_itself_unlike_in_the_averaging_method():
    """Averaging blames 0.2 after 0.45. That 0.45 behind the gap is not evaluated and the gap missing is the same."""
    case = CASES["spike_missing_neighbour"]
    assert case["flags"] == [2, 9, 2, 3, 2]
    assert spiked(case) == [2, 9, 2, 1, 2]


# --- flat line ----------------------------------------------------------------------------------------------------


def test_flat_line_as_published_while_the_soil_temperature_swings():
    """Same windows, same flags, from the first full window on; before it QARTOD passes, we have not evaluated.

    A day's record can't pass a test that needs a day.
    """
    case = CASES["flat_with_gap_value"]
    assert case["flags"] == [1, 1, 9, 3, 3, 4, 4, 4]
    assert stuck(case, resolution=0, temperature=swinging(case)) == [2, 2, 9, 3, 3, 4, 4, 4]


def test_a_short_record_is_judged_by_the_time_that_it_covers_and_not_by_its_number_of_samples():
    """The reference passes two samples unseen; ours have not evaluated the first, whose hour lies before the record,
    and have a word on the second, whose hour the record covers.
    """
    case = CASES["flat_too_short"]
    assert (case["flags"], case["parameters"]["suspect_threshold"]) == ([1, 1], 3600)
    assert stuck(case, resolution=0, temperature=swinging(case)) == [2, 3]


def test_a_resolution_of_0_flags_a_figure_that_does_not_move_at_all():
    """QARTOD's tolerance is strict, so that 0 turns its test off; ours is the transducer's resolution, end included."""
    case = CASES["flat_tolerance_zero_never_flags"]
    assert case["flags"] == [1] * 8
    assert stuck(case, resolution=0, temperature=swinging(case)) == [2, 2, 2, 3, 3, 4, 4, 4]


def test_a_flat_line_in_a_soil_of_even_temperature_is_not_blamed():
    """QARTOD looks at the figure alone; deep soil in calm weather does stand still, so we ask the thermistor too."""
    case = CASES["flat_with_gap_value"]
    even = [12.0, 12.5] * 4
    assert stuck(case, resolution=0, temperature=even) == [2, 2, 9, 2, 2, 2, 2, 2]


# --- aggregate ----------------------------------------------------------------------------------------------------


def aggregate(vectors):
    vectors = tuple(np.array(flags, dtype=np.uint8) for flags in vectors)
    none = np.zeros(len(vectors[0]), dtype=bool)
    return roll_up(vectors, no_figure=none, fault=none).tolist()


def test_aggregate_as_published_where_there_is_a_figure():
    """Where there is none we never pass, whatever another check says: tests/core/test_roll_up.py."""
    case = PUBLISHED["aggregate_case"]
    assert aggregate(case["vectors"]) == case["aggregate"]


@given(flags=st.lists(st.lists(st.sampled_from([1, 2, 3, 4, 9]), min_size=4, max_size=4), min_size=1), data=st.data())
def test_the_aggregate_is_the_worst_flag_and_independent_of_order(flags, data):
    """4 > 3 > 1 > 2 > 9."""
    assert aggregate(flags) == aggregate(data.draw(st.permutations(flags)))
    assert aggregate(flags) == [min(column, key=list(GRAVEST_FIRST).index) for column in zip(*flags, strict=True)]


# --- what holds for every series ----------------------------------------------------------------------------------
# Figures are whole numbers of 1/64, so that sums, differences and doublings are exact and a threshold is met exactly.

sixty_fourths = st.lists(st.integers(-64, 128).map(lambda step: step / 64), min_size=3, max_size=30)
spans = st.tuples(st.integers(-32, 0), st.integers(1, 96)).map(lambda span: (span[0] / 64, span[1] / 64))


def all_flags(vwc, counts, *, thresholds=(8 / 64, 16 / 64), resolution=1.0, fail=(-0.5, 1.0), suspect=(0.0, 0.75)):
    series = make_series(
        vwc=vwc, count=counts, permittivity=None, temperature=[10.0 + 3 * (hour % 2) for hour in range(len(vwc))]
    )
    limits = make_limits(
        series,
        vwc_fail=fail,
        vwc_suspect=suspect,
        spike_suspect=thresholds[0],
        spike_fail=thresholds[1],
        stuck_counts=resolution,
        stuck_suspect_hours=4,
        stuck_fail_hours=8,
    )
    return (
        check_range(series, limits)[0].tolist(),
        check_spike(series, limits).tolist(),
        check_stuck(series, limits).tolist(),
    )


def counts_of(vwc):
    """Return whole counts that move little enough to get stuck now and then."""
    return [1850.0 + int(value * 64) % 3 for value in vwc]


@settings(max_examples=60, deadline=None)
@given(span=spans)
def test_the_end_points_of_a_span_pass_and_what_lies_beyond_fails(span):
    low, high = span
    outside = [np.nextafter(low, -np.inf), np.nextafter(high, np.inf)]
    told = all_flags([low, high, *outside], [1850.0] * 4, fail=span, suspect=span)[0]
    assert told == [1, 1, 4, 4]


@settings(max_examples=60, deadline=None)
@given(height=st.integers(0, 40), suspect=st.integers(1, 20), more=st.integers(0, 20))
def test_a_spike_exactly_at_a_threshold_passes_it(height, suspect, more):
    fail = suspect + more
    spike = all_flags([0.0, height / 64, 0.0], [0.0] * 3, thresholds=(suspect / 64, fail / 64))[1][1]
    assert spike == (4 if height > fail else 3 if height > suspect else 1)


@settings(max_examples=60, deadline=None)
@given(vwc=sixty_fourths, constant=st.integers(-640, 640))
def test_adding_a_constant_changes_range_flags_only(vwc, constant):
    _, spike, stuck_flags = all_flags(vwc, counts_of(vwc))
    moved = all_flags([value + constant / 64 for value in vwc], [count + constant for count in counts_of(vwc)])
    assert moved[1:] == (spike, stuck_flags)


@settings(max_examples=60, deadline=None)
@given(vwc=sixty_fourths, factor=st.sampled_from([0.25, 0.5, 2.0, 3.0, 16.0]))
def test_multiplying_figures_and_thresholds_by_the_same_factor_changes_nothing(vwc, factor):
    counts = counts_of(vwc)
    scaled = all_flags(
        [value * factor for value in vwc],
        [count * factor for count in counts],
        thresholds=(8 / 64 * factor, 16 / 64 * factor),
        resolution=factor,
        fail=(-0.5 * factor, factor),
        suspect=(0.0, 0.75 * factor),
    )
    assert scaled == all_flags(vwc, counts)
