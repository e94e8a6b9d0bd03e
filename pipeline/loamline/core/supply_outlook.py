"""When a cell comes to its end: a date between two others, or in words why there is not enough data for one.

Two ways, neither of which sees the cell itself:

- **by charge**: what airtime and sleep current have taken since the cell was put in (`core.charge_budget`), against
  what a cell gives. The interval comes of an assumed uncertainty of the load and of the usable share.
- **by voltage**: the trend of the daily medians, corrected for temperature, down to the voltage that a device stops at.
  What a kelvin of cold takes is fitted together with the trend, between nothing and a most that is told; in a season
  that only cools or warms the two can't be told apart, and the trend's interval is as wide as that makes it.
  Only past the knee: a Li-SOCl2 cell (IEC 60086-1 letter E) stands flat within 0.1 to 0.2 V over 80 to 90 % of its
  discharge, so that on the plateau voltage is a poor predictor and no date is made of it. Past it, voltage
  falls faster as it goes, so that a straight line is late rather than early.

Common practice, from memory, throughout; the cell maker's safety sheet and data sheet come first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loamline.core.charge_budget import Cell, Load, drain_ma, life_hours, mean_current_ma
from loamline.core.columns import Floats, Ints
from loamline.core.trends import LEAST_DAYS, Trend, trend

#: What every output says.
MAKER_FIRST = (
    "Estimates by common practice: the cell maker's safety sheet and data sheet come first. The voltage of a Li-SOCl2 "
    "cell is flat until shortly before its end and predicts it poorly."
)
#: Voltages are told as at this temperature; soil temperature stands in for the cell's.
REFERENCE_DEGC = 20.0
#: V at 20 degC under low current: below it a Li-SOCl2 cell is past its plateau (from memory).
KNEE_V = 3.3
#: A date further away than a cell's shelf life says nothing (common practice: 10 to 20 years).
_FURTHEST_DAYS = 40 * 365.25


@dataclass(frozen=True)
class Uncertainty:
    """Relative standard deviations taken for granted, not measured: of the mean current, and of the usable charge."""

    load_share: float = 0.3
    usable_share: float = 0.15


@dataclass(frozen=True)
class DaysLeft:
    """Days from now to a cell's end: the estimate and the ends of its interval of about 95 %. `earliest` may be 0."""

    estimate: float
    earliest: float
    latest: float
    basis: str


def at_reference_temperature(supply_v: Floats, temperature_degc: Floats, volts_per_k: float) -> Floats:
    """Return voltages as they would be at 20 degC, V: cold lowers them by `volts_per_k`, warmth raises nothing.

    Without a temperature the voltage stays as it is.
    """
    colder = np.nan_to_num(np.maximum(REFERENCE_DEGC - temperature_degc, 0.0))
    return np.asarray(supply_v + volts_per_k * colder)


@dataclass(frozen=True)
class ColdEffect:
    """V that a kelvin under 20 degC takes, with the ends of its interval of about 95 %; all from 0 to the most told."""

    volts_per_k: float
    low: float
    high: float


def cold_effect(days: Ints, supply_v: Floats, temperature_degc: Floats, most_v_per_k: float) -> ColdEffect:
    """Return the effect of cold by least squares beside a straight trend, from one value a day, shapes (d,).

    Where temperature tells nothing (too few days of it, or none that differ), it is the most that is told.
    """
    known = ~np.isnan(temperature_degc)
    colder = np.maximum(REFERENCE_DEGC - temperature_degc[known], 0.0)
    if known.sum() < LEAST_DAYS or np.ptp(colder) < 1.0:
        return ColdEffect(most_v_per_k, most_v_per_k, most_v_per_k)
    since = (days[known] - days[known].mean()).astype(float)
    table = np.column_stack([np.ones_like(since), since, colder])
    solution, _, rank, _ = np.linalg.lstsq(table, supply_v[known], rcond=None)
    if rank < 3:
        return ColdEffect(most_v_per_k / 2, 0.0, most_v_per_k)
    spread = np.sum((supply_v[known] - table @ solution) ** 2) / (len(since) - 3)
    error = float(np.sqrt(spread * np.linalg.inv(table.T @ table)[2, 2]))
    told = np.clip(-solution[2] + np.array([0.0, -2.0, 2.0]) * error, 0.0, most_v_per_k)
    return ColdEffect(*told.tolist())


def corrected_trend(days: Ints, supply_v: Floats, temperature_degc: Floats, cold: ColdEffect) -> Trend | None:
    """Return the trend of the supply as at 20 degC, V; its interval holds those of every likely effect of cold."""
    told = [
        trend(days, at_reference_temperature(supply_v, temperature_degc, volts_per_k))
        for volts_per_k in dict.fromkeys((cold.volts_per_k, cold.low, cold.high))
    ]
    known = [one for one in told if one is not None]
    if not known:
        return None
    return replace(known[0], low=min(one.low for one in known), high=max(one.high for one in known))


def by_charge(
    cell: Cell, load: Load, airtime_s: float, interval_s: float, days_in_use: float, doubt: Uncertainty
) -> DaysLeft:
    """Return the days left of a cell that has given the mean current for `days_in_use`, by its charge."""
    current = mean_current_ma(load, airtime_s, interval_s)

    def left(load_factor: float, usable_factor: float) -> float:
        usable = replace(cell, usable_share=min(cell.usable_share * usable_factor, 1.0))
        return _within(life_hours(usable, current * load_factor) / 24.0 - days_in_use)

    load_most, usable_least = 1.0 + 2.0 * doubt.load_share, max(1.0 - 2.0 * doubt.usable_share, 0.0)
    load_least, usable_most = max(1.0 - 2.0 * doubt.load_share, 0.0), 1.0 + 2.0 * doubt.usable_share
    return DaysLeft(left(1.0, 1.0), left(load_most, usable_least), left(load_least, usable_most), "charge")


def share_left(cell: Cell, current_ma: float, days_in_use: float) -> float:
    """Return the share of the usable charge that is left, from 0 to 1."""
    usable = cell.usable_share * cell.capacity_mah
    return min(max(1.0 - drain_ma(cell, current_ma) * 24.0 * days_in_use / usable, 0.0), 1.0)


def by_voltage(newest_v: float, falling: Trend | None, cut_off_v: float) -> DaysLeft | str:
    """Return the days left by voltage (as at 20 degC, V), or in words why there is not enough data."""
    if falling is None:
        return "not enough data: too few days with a voltage for a trend"
    if newest_v >= KNEE_V:
        return (
            f"not enough data: {newest_v:.2f} V at 20 degC is on the plateau (over {KNEE_V:g} V), which tells no date"
        )
    if falling.high >= 0:
        return "not enough data: the voltage does not fall for certain"
    above = max(newest_v - cut_off_v, 0.0)
    estimate, earliest, latest = (
        _within(30.0 * above / -slope) for slope in (falling.per_30_days, falling.low, falling.high)
    )
    return DaysLeft(estimate, earliest, latest, "voltage")


def outlook(charge: DaysLeft | str, voltage: DaysLeft | str) -> DaysLeft | str:
    """Return which of the two holds: past the knee the earlier, else the charge's; else both reasons."""
    if isinstance(voltage, str):
        return f"{charge}; {voltage.removeprefix('not enough data: ')}" if isinstance(charge, str) else charge
    return voltage if isinstance(charge, str) or voltage.estimate <= charge.estimate else charge


def _within(days: float) -> float:
    return float(min(max(days, 0.0), _FURTHEST_DAYS))
