"""The checks against ioos-qc, the reference implementation of the QARTOD tests, on generated series.

U.S. IOOS QARTOD manuals; IOC Manuals and Guides 54 volume 3 (2013). First what is the same, then each difference on
purpose with the case and the reason. Figures are whole numbers of 1/64, so that a threshold is met exactly.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod

from loamline.core.checks.range_bounds import check_range
from loamline.core.checks.spike import check_spike
from loamline.core.checks.stuck import check_stuck
from tests.core.series_builder import START_US, make_limits, make_series

sixty_fourths = st.integers(-32, 64).map(lambda step: step / 64)
columns = st.lists(st.one_of(st.none(), sixty_fourths, sixty_fourths, sixty_fourths), min_size=3, max_size=40)
SPANS = st.lists(st.integers(-20, 60), min_size=4, max_size=4, unique=True).map(sorted)


def figures(column):
    return np.array([np.nan if value is None else value for value in column])


def missing(column):
    return [value is None for value in column]


def our_spikes(column, **limits):
    series = make_series(vwc=column, moisture_fault=missing(column))
    return check_spike(series, make_limits(series, **limits)).tolist()


def their_spikes(column, suspect, fail):
    flags = qartod.spike_test(figures(column), suspect_threshold=suspect, fail_threshold=fail, method="differential")
    return np.asarray(flags).tolist()


def our_flat_line(counts, hours, suspect_h, fail_h, resolution, temperature=None):
    swing = [10.0 + 3 * (i % 2) for i in range(len(counts))] if temperature is None else temperature
    series = make_series(
        count=counts, moisture_fault=missing(counts), hours=hours, temperature=swing, permittivity=None
    )
    limits = make_limits(series, stuck_suspect_hours=suspect_h, stuck_fail_hours=fail_h, stuck_counts=resolution)
    return check_stuck(series, limits).tolist()


def their_flat_line(counts, hours, suspect_h, fail_h, tolerance):
    seconds = [START_US // 1_000_000 + round(hour * 3600) for hour in hours]
    flags = qartod.flat_line_test(figures(counts), seconds, suspect_h * 3600, fail_h * 3600, tolerance)
    return np.asarray(flags).tolist()


# --- the same -----------------------------------------------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(column=columns, ends=SPANS)
def test_gross_range_is_the_same(column, ends):
    fail, suspect = (ends[0] / 64, ends[3] / 64), (ends[1] / 64, ends[2] / 64)
    series = make_series(vwc=column, moisture_fault=missing(column), permittivity=None, temperature=None)
    ours = check_range(series, make_limits(series, vwc_fail=fail, vwc_suspect=suspect))[0]
    assert ours.tolist() == np.asarray(qartod.gross_range_test(figures(column), fail, suspect)).tolist()


@settings(max_examples=150, deadline=None)
@given(column=columns, suspect=st.integers(1, 24), more=st.integers(0, 24))
def test_the_differential_spike_is_the_same_where_no_part_of_a_rise_is_called_water(column, suspect, more):
    thresholds = (suspect / 64, (suspect + more) / 64)
    ours = our_spikes(column, spike_suspect=thresholds[0], spike_fail=thresholds[1], spike_kept_share=1.0)
    assert ours == their_spikes(column, *thresholds)


@settings(max_examples=150, deadline=None)
@given(column=columns, suspect=st.integers(1, 24), more=st.integers(0, 24))
def test_the_shipped_spike_differs_only_where_more_than_a_quarter_of_a_rise_stays(column, suspect, more):
    thresholds = (suspect / 64, (suspect + more) / 64)
    ours = our_spikes(column, spike_suspect=thresholds[0], spike_fail=thresholds[1])
    for i, (our, their) in enumerate(zip(ours, their_spikes(column, *thresholds), strict=True)):
        if our != their:
            before, peak, after = column[i - 1 : i + 2]
            assert (our, their in (3, 4)) == (1, True)
            assert after - before > (peak - before) / 4 > 0


@settings(max_examples=150, deadline=None)
@given(
    counts=st.lists(st.sampled_from([1850.0, 1850.0, 1851.0, 1852.0, 1855.0]), min_size=3, max_size=60),
    faulty=st.integers(0, 7),
    suspect_h=st.integers(1, 12),
    more_h=st.integers(0, 12),
    resolution=st.integers(0, 3),
)
def test_flat_line_is_the_same_from_the_first_full_window_on(counts, faulty, suspect_h, more_h, resolution):
    """Whole counts, so that at most the resolution is under half a count more; every eighth is a fault code.

    In a swinging temperature, hourly, and from the hour on that the record covers: before it, see below.
    """
    told = [None if i % 8 == faulty else count for i, count in enumerate(counts)]
    hours = range(len(told))
    ours = our_flat_line(told, hours, suspect_h, suspect_h + more_h, resolution)
    theirs = their_flat_line(told, hours, suspect_h, suspect_h + more_h, resolution + 0.5)
    for i in hours:
        if i >= max(suspect_h, 2):
            # Two samples an hour apart never moved by more than 1 K if one of them has no figure; ours asks that.
            assert ours[i] == theirs[i]


# --- different on purpose -----------------------------------------------------------------------------------------


def test_a_wetting_that_drains_is_no_spike():
    """A dripper's hour on sand: half of it is gone an hour later, and half is there. The reference blames the peak."""
    pulse = [0.12, 0.12, 0.40, 0.30, 0.27, 0.25]
    assert their_spikes(pulse, 0.05, 0.15) == [2, 1, 3, 1, 1, 2]
    assert our_spikes(pulse) == [2, 1, 1, 1, 1, 2]


def test_a_neighbour_beyond_the_largest_gap_is_none():
    """The reference takes the sample before, however long ago: a week's drying beside a shower would be a spike."""
    column = [0.35, 0.15, 0.36]
    series = make_series(vwc=column, hours=[0, 168, 169])
    assert their_spikes(column, 0.05, 0.15)[1] == 4
    assert check_spike(series, make_limits(series)).tolist()[1] == 2


def test_the_beginning_of_a_record_has_not_passed_a_test_that_needs_a_day():
    """The reference passes all that lies before its first full window."""
    counts = [1850.0] * 6
    assert their_flat_line(counts, range(6), 4, 5, 1.5) == [1, 1, 1, 1, 3, 4]
    assert our_flat_line(counts, range(6), 4, 5, 1.0) == [2, 2, 2, 2, 3, 4]


def test_a_window_is_told_in_hours_and_not_in_samples():
    """The reference turns hours into a number of samples by the median interval; an uplink a quarter of an hour late,
    or a burst of them, would shorten the day. Here samples come each quarter of an hour, and then hourly.
    """
    hours = [0, 0.25, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2, 3, 4, 5]
    counts = [1860.0, *[1850.0] * 11]
    theirs = their_flat_line(counts, hours, 2, 4, 1.5)
    ours = our_flat_line(counts, hours, 2, 4, 1.0)
    # Eight quarters of an hour are their two hours, and with hourly samples eight hours.
    assert dict(zip(hours, theirs, strict=True))[3] == 3
    assert dict(zip(hours, ours, strict=True))[3] == 3
    assert dict(zip(hours, theirs, strict=True))[5] == 3
    assert dict(zip(hours, ours, strict=True))[5] == 4


def test_a_tolerance_of_exactly_the_movement_is_still_stuck():
    """The reference is strict, so that 0 turns its test off; ours is the transducer's resolution, end included."""
    counts = [1850.0, 1851.0] * 4
    assert set(their_flat_line(counts, range(8), 2, 4, 1.0)) == {1}
    assert our_flat_line(counts, range(8), 2, 4, 1.0) == [2, 2, 3, 3, 4, 4, 4, 4]


def test_a_figure_that_stands_still_in_an_even_temperature_is_not_blamed():
    """Deep soil in calm weather does stand still; the reference looks at the figure alone."""
    counts = [1850.0] * 8
    even = [12.0, 12.5] * 4
    assert their_flat_line(counts, range(8), 2, 4, 1.5) == [1, 1, 3, 3, 4, 4, 4, 4]
    assert our_flat_line(counts, range(8), 2, 4, 1.0, even) == [2] * 8


def test_two_figures_that_agree_in_a_window_of_fault_codes_prove_nothing():
    """Ours asks for figures for half of the window."""
    counts = [1850.0, None, None, None, None, 1850.0, 1850.0, 1850.0]
    assert their_flat_line(counts, range(8), 4, 7, 1.5)[5] == 3
    assert our_flat_line(counts, range(8), 4, 7, 1.0)[5] == 2


@pytest.mark.parametrize("column", [[0.2, 0.2], [0.2, 0.9]])
def test_two_samples_are_judged_for_spikes_by_neither(column):
    assert our_spikes(column) == their_spikes(column, 0.05, 0.15) == [2, 2]
