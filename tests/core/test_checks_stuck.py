"""Stuck value: the raw figure stands still while the soil's temperature goes on.

Hourly series under the shipped limits: 24 h suspect, 72 h fail, resolution 1 count, temperature to move by over 1 K.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.series import window_extremes
from loamline.core.checks.stuck import check_stuck
from tests.core.series_builder import make_limits, make_series, words

#: Four days of hours, and a soil temperature that swings by 6 K a day.
HOURS = np.arange(97)
DAILY = 12.0 + 3.0 * np.sin(2 * np.pi * HOURS / 24)


def stuck(*, limits=None, **columns):
    series = make_series(**{"temperature": DAILY[: len(next(iter(columns.values())))], **columns})
    return words(check_stuck(series, make_limits(series, **(limits or {}))))


def still(n=97, count=1850.0):
    return np.full(n, count)


# --- when it is told ----------------------------------------------------------------------------------------------


def test_a_count_that_never_moves_is_suspect_from_exactly_24_h_after_the_first_sample_and_fails_from_72_h():
    assert stuck(count=still()) == "?" * 24 + "s" * 48 + "F" * 25


def test_a_live_count_passes_once_the_record_is_a_day_long():
    """A live transducer's noise moves it by more than its resolution within a day (common practice)."""
    assert stuck(count=1850.0 + 2 * (HOURS % 7 == 0)) == "?" * 24 + "." * 73


def test_a_count_that_moves_by_exactly_its_resolution_is_stuck():
    flags = stuck(count=1850.0 + HOURS % 2)
    assert (flags[24], flags[72]) == ("s", "F")


def test_one_move_keeps_the_count_alive_for_as_long_as_it_lies_in_the_window():
    """The count moves between hours 39 and 40: a window that still holds hour 39 has seen it move."""
    flags = stuck(count=np.where(HOURS < 40, 1850.0, 1855.0))
    assert flags[39] == "s"
    assert flags[40:64] == "." * 24
    assert flags[64:] == "s" * 33


def test_three_days_of_standing_still_are_told_from_the_move_on():
    count = np.where(np.arange(120) < 10, 1850.0, 1855.0)
    flags = stuck(count=count, temperature=12.0 + 3.0 * np.sin(2 * np.pi * np.arange(120) / 24))
    assert flags[81] == "s"
    assert flags[82:] == "F" * 38


def test_a_count_that_stands_still_in_a_soil_of_even_temperature_is_not_judged():
    """Deep soil in calm weather: nothing moves, and nothing is wrong."""
    even = 12.0 + 0.5 * np.sin(2 * np.pi * HOURS / 24)
    assert stuck(count=still(), temperature=even) == "?" * 97


@pytest.mark.parametrize(("swing", "flag"), [(1.0, "?"), (1.25, "s")])
def test_the_temperature_has_to_move_by_more_than_1_k(swing, flag):
    assert stuck(count=still(), temperature=12.0 + swing * (HOURS % 2))[30] == flag


def test_count_and_temperature_both_dead_for_72_h_fail():
    assert stuck(count=still(), temperature=np.full(97, 12.0)) == "?" * 72 + "F" * 25


def test_an_even_temperature_with_a_count_that_moves_within_its_resolution_is_not_dead():
    assert stuck(count=1850.0 + HOURS % 2, temperature=np.full(97, 12.0)) == "?" * 97


# --- payloads that report permittivity ----------------------------------------------------------------------------


def test_a_reported_permittivity_is_judged_in_steps_of_a_hundredth():
    """Payload version 4 reports 0.01 a step: one step is its resolution, two are life."""
    one_step, two_steps = np.where(HOURS % 2, 12.51, 12.50), np.where(HOURS % 2, 12.52, 12.50)
    assert stuck(permittivity=one_step, count=None)[24] == "s"
    assert stuck(permittivity=two_steps, count=None)[24] == "."


# --- when it can't be told ----------------------------------------------------------------------------------------


def test_a_record_of_less_than_a_day_is_not_evaluated():
    assert stuck(count=still(24)) == "?" * 24


def test_a_lost_uplink_or_two_leave_the_window_covered():
    """The record has to reach back over the window's beginning by no more than the largest gap, 150 minutes."""
    hours = [hour for hour in range(49) if hour not in (3, 4)]
    flags = stuck(count=still(len(hours)), hours=hours, temperature=DAILY[hours])
    assert flags == "?" * (24 - 2) + "s" * 25


def test_a_longer_gap_uncovers_the_windows_that_begin_in_its_first_part():
    """Nothing was heard from hour 10 to hour 20: windows that begin at 13 to 19 have nobody to say how it began."""
    hours = [hour for hour in range(60) if not 10 < hour < 20]
    flags = stuck(count=still(len(hours)), hours=hours, temperature=DAILY[hours])
    by_hour = dict(zip(hours, flags, strict=True))
    assert [by_hour[hour] for hour in range(34, 46)] == list("sss" + "???????" + "ss")


def test_fault_codes_are_missing_and_are_left_out_of_the_window():
    faults = HOURS % 5 == 1
    flags = stuck(count=still(), moisture_fault=faults)
    assert {flags[hour] for hour in HOURS[faults]} == {"-"}
    assert {flags[hour] for hour in HOURS[~faults & (HOURS >= 24) & (HOURS < 72)]} == {"s"}


def test_figures_for_less_than_half_of_the_window_prove_nothing():
    """Two days of fault codes end: the first figures may agree by chance. Twelve of a day's hours are enough."""
    faults = (HOURS >= 30) & (HOURS < 60)
    flags = stuck(count=still(), moisture_fault=faults)
    assert flags[24:30] == "s" * 6
    assert flags[60:71] == "?" * 11
    assert flags[71] == "s"


def test_two_samples_round_a_days_silence_are_not_called_stuck():
    hours = [hour for hour in range(60) if not 20 < hour < 44]
    flags = dict(zip(hours, stuck(count=still(len(hours)), hours=hours, temperature=DAILY[hours]), strict=True))
    assert (flags[44], flags[54], flags[55]) == ("?", "?", "?")


def test_a_figure_that_moved_passes_however_few_figures_there_are():
    count = np.where(HOURS < 60, 1850.0, 1860.0)
    flags = stuck(count=count, moisture_fault=(HOURS >= 38) & (HOURS < 60))
    assert flags[60] == "."


def test_a_sample_without_any_raw_figure_is_not_evaluated():
    gone = HOURS == 50
    assert stuck(count=np.where(gone, np.nan, 1850.0), permittivity=None)[50] == "?"


def test_a_missing_temperature_is_no_proof_of_either():
    assert stuck(count=still(), temperature=np.full(97, np.nan)) == "?" * 97


def test_a_lone_sample_is_not_evaluated():
    assert stuck(count=still(1)) == "?"


def test_no_samples_have_no_flags():
    assert stuck(count=np.empty(0)) == ""


# --- series of their own ------------------------------------------------------------------------------------------


def test_one_probes_standing_still_does_not_reach_into_the_next_probes_record():
    """Two probes of two days each, and a third that began a day ago."""
    begun = np.concatenate([np.arange(48), np.arange(48), np.arange(20, 48)])
    number = np.repeat([0, 1, 2], [48, 48, 28])
    count = np.where(number == 1, 1850.0 + 3 * (begun % 2), 1850.0)
    flags = stuck(count=count, series=number, hours=begun, temperature=DAILY[begun])
    assert flags == "?" * 24 + "s" * 24 + "?" * 24 + "." * 24 + "?" * 24 + "s" * 4


records = st.lists(
    st.tuples(
        st.sampled_from([0.5, 1.0, 2.0, 4.0]), st.sampled_from([1850.0, 1851.0, 1853.0]), st.sampled_from([10, 12])
    ),
    min_size=1,
    max_size=20,
)


@settings(max_examples=80, deadline=None)
@given(probes=st.lists(records, min_size=2, max_size=5))
def test_probes_judged_together_are_judged_as_each_alone(probes):
    limits = {"stuck_suspect_hours": 4, "stuck_fail_hours": 8}
    hours, count, temperature, number = [], [], [], []
    alone = ""
    for index, record in enumerate(probes):
        steps, counts, temperatures = zip(*record, strict=True)
        hours += list(np.cumsum(steps))
        count += counts
        temperature += temperatures
        number += [index] * len(record)
        alone += stuck(count=counts, hours=list(np.cumsum(steps)), temperature=temperatures, limits=limits)
    assert stuck(count=count, hours=hours, temperature=temperature, series=number, limits=limits) == alone


@settings(max_examples=80, deadline=None)
@given(
    windows=st.lists(
        st.tuples(st.one_of(st.just(np.nan), st.integers(-5, 5).map(float)), st.integers(0, 12)),
        min_size=1,
        max_size=40,
    )
)
def test_window_extremes_are_those_of_a_plain_loop(windows):
    values = np.array([value for value, _ in windows])
    first = np.array([max(0, row - back) for row, (_, back) in enumerate(windows)])
    least, greatest = window_extremes(values, first)
    for row, start in enumerate(first):
        seen = [value for value in values[start : row + 1] if not np.isnan(value)]
        told = [least[row], greatest[row]]
        np.testing.assert_array_equal(told, [min(seen), max(seen)] if seen else [np.nan, np.nan])
