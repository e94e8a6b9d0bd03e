"""Supply sag. Hourly, 3.6 V; 2.8 V is suspect, 2.5 V fails, and so is a fall of 0.2 V that cold does not explain."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.supply import LEAST_SAMPLES, check_supply
from tests.core.series_builder import in_order, make_limits, make_series, some_rows, words


def supplies(*volts, limits=None, **columns):
    series = make_series(supply=list(volts), **columns)
    return words(check_supply(series, make_limits(series, **(limits or {}))))


@pytest.mark.parametrize(
    ("volts", "flag"),
    [(3.6, "."), (2.8, "."), (np.nextafter(2.8, 0), "s"), (2.5, "s"), (np.nextafter(2.5, 0), "F"), (0.0, "F")],
)
def test_exactly_the_threshold_passes_and_under_it_does_not(volts, flag):
    assert supplies(volts) == flag


def test_another_chemistry_sets_its_own_thresholds():
    """Two alkaline cells: 3.0 V fresh, 2.0 V spent (common practice)."""
    limits = {"supply_suspect_v": 2.2, "supply_fail_v": 2.0}
    assert supplies(3.0, 2.4, 2.1, 1.9, limits=limits) == "..sF"


# --- the probe's own word -----------------------------------------------------------------------------------------


def test_the_probes_own_word_of_a_low_supply_is_suspect_and_no_more():
    """A cell dips at its first load after storage: one low moment is no empty battery (common practice)."""
    assert supplies(3.6, 3.6, supply_low=[0, 1]) == ".s"
    assert supplies(2.4, supply_low=[1]) == "F"


def test_without_a_voltage_the_probes_word_is_what_there_is():
    assert supplies(None, None, None, supply_low=[0, 1, None]) == ".s?"


# --- a fall of its own --------------------------------------------------------------------------------------------


def test_a_fall_under_its_own_median_is_suspect_until_half_of_the_window_has_fallen():
    flags = supplies(*[3.6] * 72, *[3.3] * 48)
    assert flags[:72] == "." * 72
    assert flags[72:] == "s" * 36 + "." * 12


def test_a_fall_of_exactly_the_threshold_passes():
    """Quarters of a volt are exact."""
    limits = {"supply_sag_v": 0.25}
    assert supplies(*[3.5] * 8, 3.25, limits=limits)[-1] == "."
    assert supplies(*[3.5] * 8, np.nextafter(3.25, 0), limits=limits)[-1] == "s"


def test_cold_explains_a_hundredth_of_a_volt_a_kelvin():
    warm_then = [*[20.0] * 8, 0.0]
    assert supplies(*[3.6] * 8, 3.25, temperature=warm_then)[-1] == "."
    assert supplies(*[3.6] * 8, 3.15, temperature=warm_then)[-1] == "s"


def test_warmth_explains_no_fall():
    assert supplies(*[3.6] * 8, 3.35, temperature=[*[0.0] * 8, 30.0])[-1] == "s"


def test_without_a_temperature_a_fall_is_not_judged_but_the_level_is():
    assert supplies(*[3.6] * 8, 3.2, temperature=[*[20.0] * 8, None])[-1] == "."
    assert supplies(*[3.6] * 8, 2.7, temperature=[*[20.0] * 8, None])[-1] == "s"


def test_a_median_needs_some_samples():
    assert supplies(*[3.6] * (LEAST_SAMPLES - 1), 3.2)[-1] == "."
    assert supplies(*[3.6] * LEAST_SAMPLES, 3.2)[-1] == "s"


def test_a_new_battery_is_no_fall_and_its_first_days_have_no_past():
    assert supplies(*[3.0] * 20, *[3.65] * 20) == "." * 40


def test_one_probes_supply_is_no_measure_of_the_next():
    assert supplies(*[3.6] * 20, *[3.2] * 20, series=[0] * 20 + [1] * 20) == "." * 40


def test_no_samples_have_no_flags():
    assert supplies() == ""


def test_a_series_that_was_told_nothing_of_its_supply_is_not_evaluated():
    series = make_series(n=3, supply=None, supply_low=None)
    assert words(check_supply(series, make_limits(series))) == "???"


# --- the set of samples alone -------------------------------------------------------------------------------------

samples = st.lists(
    st.tuples(
        st.integers(0, 2),
        st.sampled_from([0.5, 1.0, 1.0, 2.0, 7.0]),
        st.sampled_from([3.6, 3.6, 3.61, 3.35, 3.1, 2.6, None]),
        st.sampled_from([20.0, 18.0, 5.0, None]),
    ),
    min_size=1,
    max_size=60,
)


def drawn(rows):
    number, steps, volts, degc = zip(*sorted(rows, key=lambda row: row[0]), strict=True)
    return make_series(series=number, hours=np.cumsum(steps), supply=volts, temperature=degc, supply_low=None)


@settings(max_examples=80, deadline=None)
@given(rows=samples, data=st.data())
def test_the_order_in_which_samples_came_changes_nothing(rows, data):
    series = drawn(rows)
    limits = {"supply_window_hours": 12}
    shuffled = some_rows(series, np.array(data.draw(st.permutations(range(len(rows))))))
    again = some_rows(shuffled, in_order(shuffled))
    expected = words(check_supply(series, make_limits(series, **limits)))
    assert words(check_supply(again, make_limits(again, **limits))) == expected


@settings(max_examples=80, deadline=None)
@given(rows=samples, data=st.data())
def test_a_batch_that_reaches_back_over_the_window_is_judged_as_the_whole(rows, data):
    """The reach: 12 hours back, nothing forward."""
    series = drawn(rows)
    limits = {"supply_window_hours": 12}
    whole = words(check_supply(series, make_limits(series, **limits)))
    row = data.draw(st.integers(0, len(rows) - 1))
    hours = (series.measured_at_us - series.measured_at_us[row]) / 3.6e9
    near = np.flatnonzero((series.series == series.series[row]) & (hours >= -12) & (hours <= 0))
    part = some_rows(series, near)
    assert words(check_supply(part, make_limits(part, **limits)))[-1] == whole[row]


@settings(max_examples=80, deadline=None)
@given(rows=samples)
def test_a_sag_is_told_as_by_a_plain_loop(rows):
    series = drawn(rows)
    flags = words(check_supply(series, make_limits(series, supply_window_hours=12)))
    for i, flag in enumerate(flags):
        volts, at = series.supply_v[i], series.measured_at_us[i]
        hours = (at - series.measured_at_us) / 3.6e9
        before = np.flatnonzero((series.series == series.series[i]) & (hours <= 12) & (np.arange(len(flags)) < i))
        known = [series.supply_v[j] for j in before if not np.isnan(series.supply_v[j])]
        degc = [series.soil_temperature_degc[j] for j in before if not np.isnan(series.soil_temperature_degc[j])]
        judged = len(known) >= LEAST_SAMPLES and len(degc) >= LEAST_SAMPLES
        colder = max(np.median(degc) - series.soil_temperature_degc[i], 0.0) if judged else 0.0
        fallen = judged and np.median(known) - volts > 0.2 + 0.01 * colder
        assert flag == ("?" if np.isnan(volts) else "s" if volts < 2.8 or fallen else ".")
