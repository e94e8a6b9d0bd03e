"""When a cell comes to its end: by charge, by voltage past the knee, or not enough data (common practice)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.charge_budget import Cell, Load, life_hours, mean_current_ma
from loamline.core.supply_outlook import (
    ColdEffect,
    DaysLeft,
    Uncertainty,
    at_reference_temperature,
    by_charge,
    by_voltage,
    cold_effect,
    corrected_trend,
    outlook,
    share_left,
)
from loamline.core.trends import Trend

CELL, LOAD, DOUBT = Cell(2600.0), Load(), Uncertainty()


@given(st.floats(0.01, 3.0), st.floats(60, 86_400), st.floats(0, 4000))
def test_the_estimate_lies_within_its_interval_and_more_use_leaves_less(airtime_s, interval_s, days):
    told = by_charge(CELL, LOAD, airtime_s, interval_s, days, DOUBT)
    assert 0 <= told.earliest <= told.estimate <= told.latest
    later = by_charge(CELL, LOAD, airtime_s, interval_s, days + 10, DOUBT)
    assert later.estimate <= told.estimate
    assert by_charge(CELL, LOAD, 2 * airtime_s, interval_s, days, DOUBT).estimate <= told.estimate


def test_a_fresh_cell_has_its_whole_life_before_it_and_a_used_one_the_rest():
    current = mean_current_ma(LOAD, 1.155072, 900)
    life = life_hours(CELL, current) / 24
    fresh = by_charge(CELL, LOAD, 1.155072, 900, 0.0, DOUBT)
    assert (fresh.estimate, fresh.basis) == (pytest.approx(life), "charge")
    assert by_charge(CELL, LOAD, 1.155072, 900, life / 4, DOUBT).estimate == pytest.approx(0.75 * life)
    assert share_left(CELL, current, life / 4) == pytest.approx(0.75)
    assert by_charge(CELL, LOAD, 1.155072, 900, 2 * life, DOUBT).estimate == 0.0
    assert share_left(CELL, current, 2 * life) == 0.0


def test_without_doubt_the_interval_closes():
    told = by_charge(CELL, LOAD, 1.155072, 900, 0.0, Uncertainty(0.0, 0.0))
    assert told.earliest == told.estimate == told.latest


def test_an_interval_of_no_time_is_refused():
    with pytest.raises(ValueError, match="expected an interval over 0 s, got 0"):
        mean_current_ma(LOAD, 0.1, 0)


FALLING = Trend(-0.1, -0.2, -0.05, 40)


def test_on_the_plateau_voltage_tells_no_date():
    """Li-SOCl2, IEC 60086-1 letter E, from memory: flat over 80 to 90 % of the discharge."""
    told = by_voltage(3.55, FALLING, 2.5)
    assert told == "not enough data: 3.55 V at 20 degC is on the plateau (over 3.3 V), which tells no date"


def test_past_the_knee_a_fall_leads_to_the_cut_off():
    """0.6 V above it at 0.1 V in 30 days, likely 0.2 to 0.05 V."""
    told = by_voltage(3.1, FALLING, 2.5)
    assert isinstance(told, DaysLeft)
    assert (told.estimate, told.earliest, told.latest) == pytest.approx((180.0, 90.0, 360.0))
    assert told.basis == "voltage"


def test_without_a_trend_or_a_fall_for_certain_voltage_tells_no_date():
    assert "too few days" in str(by_voltage(3.1, None, 2.5))
    assert "does not fall for certain" in str(by_voltage(3.1, Trend(-0.1, -0.2, 0.0, 40), 2.5))


def test_below_the_cut_off_the_end_is_now():
    told = by_voltage(2.4, FALLING, 2.5)
    assert isinstance(told, DaysLeft)
    assert (told.earliest, told.estimate, told.latest) == (0.0, 0.0, 0.0)


def test_the_sooner_of_two_dates_holds_and_of_none_both_reasons():
    early, late = DaysLeft(10, 5, 20, "voltage"), DaysLeft(100, 50, 200, "charge")
    assert outlook(late, early) is early
    assert outlook(DaysLeft(1, 0, 2, "charge"), early).basis == "charge"
    assert outlook(late, "not enough data: flat") is late
    assert outlook("not enough data: no capacity", early) is early
    assert outlook("not enough data: no capacity", "not enough data: flat") == "not enough data: no capacity; flat"


def test_cold_is_put_right_up_to_20_degc_and_no_further():
    told = at_reference_temperature(np.array([3.4, 3.6, 3.6]), np.array([0.0, 30.0, np.nan]), 0.01)
    np.testing.assert_allclose(told, [3.6, 3.6, 3.6])


@given(st.floats(0.0, 0.01), st.floats(-0.05, 0.05), st.integers(0, 20))
def test_the_effect_of_cold_and_the_trend_are_told_apart_over_a_year(volts_per_k, slope, seed):
    """A yearly wave of temperature over a straight trend: both come back."""
    days = np.arange(365)
    temperature = 10 + 8 * np.sin(2 * np.pi * days / 365) + np.random.default_rng(seed).normal(0, 1.5, 365)
    supply = 3.6 + slope / 30 * days - volts_per_k * np.maximum(20 - temperature, 0)
    cold = cold_effect(days, supply, temperature, 0.01)
    assert cold.volts_per_k == pytest.approx(volts_per_k, abs=1e-6)
    told = corrected_trend(days, supply, temperature, cold)
    assert told is not None
    assert told.per_30_days == pytest.approx(slope, abs=1e-4)
    assert told.low - 1e-9 <= told.per_30_days <= told.high + 1e-9


def test_in_a_season_that_only_cools_the_trend_is_as_wide_as_it_is_unknown():
    """Temperature that falls in a straight line is a trend itself: nothing tells the two apart."""
    days = np.arange(40)
    temperature = 18.0 - 0.25 * days
    cold = cold_effect(days, 3.6 - 0.001 * days, temperature, 0.01)
    assert (cold.low, cold.high) == (0.0, 0.01)
    told = corrected_trend(days, 3.6 - 0.001 * days, temperature, cold)
    assert told is not None
    assert told.low == pytest.approx(-0.03)
    assert told.high == pytest.approx(0.045)


def test_temperature_that_tells_nothing_leaves_the_effect_at_what_was_told():
    days = np.arange(40)
    for temperature in (np.full(40, 12.0), np.full(40, np.nan)):
        assert cold_effect(days, np.full(40, 3.6), temperature, 0.01) == ColdEffect(0.01, 0.01, 0.01)


def test_too_few_days_have_no_trend():
    days, cold = np.arange(5), ColdEffect(0.01, 0.01, 0.01)
    assert corrected_trend(days, np.full(5, 3.6), np.full(5, 12.0), cold) is None
