"""What a probe takes out of its cell: charge by cycle, mean current, and how long a cell lasts.

    charge of a cycle = (I transmit t air + I measure t measure + I receive t receive) / 3600      mAh; mA and s
    mean current      = I sleep + charge of a cycle 3600 / interval                               mA
    life              = usable share C / (mean current + C self-discharge a year / 8766)          h

Common practice, from memory: nothing here stands in for the safety sheet and the data sheet of the cell's maker, or
for a measurement of the probe. What a cell gives depends on its temperature, its pulses and its age.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Hours of a mean year, 365.25 days.
HOURS_OF_YEAR = 8766.0


@dataclass(frozen=True)
class Load:
    """What a probe draws, and when. Example figures of a small probe: take those of yours from its data sheet."""

    sleep_ua: float = 5.0
    transmit_ma: float = 40.0
    measure_ma: float = 10.0
    measure_s: float = 0.5
    receive_ma: float = 11.0
    receive_s: float = 0.1


@dataclass(frozen=True)
class Cell:
    """A primary cell: Li-SOCl2 (IEC 60086-1 letter E) unless told otherwise; shares from memory, common practice."""

    capacity_mah: float
    usable_share: float = 0.85
    self_discharge_share_per_year: float = 0.01


def charge_of_cycle_mah(load: Load, airtime_s: float) -> float:
    """Return the charge of one uplink with its measurement and its receive windows, mAh."""
    return (load.transmit_ma * airtime_s + load.measure_ma * load.measure_s + load.receive_ma * load.receive_s) / 3600.0


def mean_current_ma(load: Load, airtime_s: float, interval_s: float) -> float:
    """Return the mean current with one uplink of that airtime an interval, mA; ValueError unless that is over 0."""
    if interval_s <= 0:
        raise ValueError(f"expected an interval over 0 s, got {interval_s:g}")
    return load.sleep_ua / 1000.0 + charge_of_cycle_mah(load, airtime_s) * 3600.0 / interval_s


def drain_ma(cell: Cell, current_ma: float) -> float:
    """Return the mean current with the cell's self-discharge, mA."""
    return current_ma + cell.capacity_mah * cell.self_discharge_share_per_year / HOURS_OF_YEAR


def life_hours(cell: Cell, current_ma: float) -> float:
    """Return how long a fresh cell lasts, h; infinite where nothing is drawn."""
    drain = drain_ma(cell, current_ma)
    return cell.usable_share * cell.capacity_mah / drain if drain > 0 else float("inf")
