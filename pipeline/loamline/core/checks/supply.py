"""Supply sag: was the sample taken on a supply that can be trusted?

A transducer under its working voltage reads low or nonsense, and a cell that sags tells of its end days before it
goes silent. Looks at three things, the gravest of which counts:

- `supply_v` under `supply_fail_v` (2.5 V) fails, under `supply_suspect_v` (2.8 V) is suspect. For a Li-SOCl2 cell of
  3.6 V (common practice, from memory): devices cut off at 2.5 to 3.0 V, and a healthy cell still gives 3.0 V at -40
  degC.
- the probe's own `supply_low`: suspect and no more, since such a cell dips at its first load after storage.
- a fall of more than `supply_sag_v` (0.2 V) under the median of the `supply_window_hours` (72 h) before, less what
  cold explains, `supply_cold_v_per_k` (0.01 V) for each kelvin under the median temperature there: suspect. The
  plateau is flat within 0.1 to 0.2 V over most of a cell's life, so that level says little and a sudden fall much.
  Without a temperature, or with fewer than `LEAST_SAMPLES` before, no fall is judged.

Looks back `supply_window_hours`, never forward. A payload has one supply: older samples that it brings along carry it
too. Not evaluated where the payload says nothing of the supply.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds, row_at_or_after, stretches
from loamline.core.columns import HOUR_US, Flags, Floats, Ints
from loamline_schemas.verdicts import Verdict

#: Samples that a median needs before it is worth a comparison: a quarter of a day of an hourly probe.
LEAST_SAMPLES = 6
_ROWS_AT_ONCE = 4096


def check_supply(series: Series, limits: Thresholds) -> Flags:
    """Return the flag of each sample, shape (m,)."""
    supply = series.supply_v
    known = ~np.isnan(supply)
    flag = np.full(len(supply), Verdict.NOT_EVALUATED, dtype=np.uint8)
    flag[known | (series.supply_low == 0.0)] = Verdict.PASS
    with np.errstate(invalid="ignore"):
        low, lower = supply < limits["supply_suspect_v"], supply < limits["supply_fail_v"]
    flag[low | (series.supply_low == 1.0)] = Verdict.SUSPECT
    flag[_sagging(series, limits, np.flatnonzero(known & ~low))] = Verdict.SUSPECT
    flag[lower] = Verdict.FAIL
    return flag


def _sagging(series: Series, limits: Thresholds, rows: Ints) -> Ints:
    """Return those of `rows` whose supply fell under its own median by more than cold explains."""
    if not len(rows):
        return rows
    supply, at, temperature = series.supply_v, series.measured_at_us, series.soil_temperature_degc
    start, _ = stretches(series.series)
    # Whatever the window, its median is at most the series' highest: this leaves few rows to look at closely.
    highest = np.fmax.reduceat(supply, np.flatnonzero(series.starts))
    number = np.cumsum(series.starts) - 1
    rows = rows[highest[number[rows]] - supply[rows] > limits["supply_sag_v"][rows]]
    since = at[rows] - np.rint(limits["supply_window_hours"][rows] * HOUR_US).astype(np.int64)
    first = row_at_or_after(at, since, start[rows], rows)
    enough = rows - first >= LEAST_SAMPLES
    rows, first = rows[enough], first[enough]
    usual, usual_temperature = _medians(supply, first, rows), _medians(temperature, first, rows)
    colder = np.maximum(usual_temperature - temperature[rows], 0.0)
    explained = limits["supply_sag_v"][rows] + limits["supply_cold_v_per_k"][rows] * colder
    return rows[usual - supply[rows] > explained]


def _medians(values: Floats, first: Ints, end: Ints) -> Floats:
    """Return the median of values[first[j]..end[j]-1], NaN ignored; NaN where under LEAST_SAMPLES; shape (c,)."""
    medians = np.full(len(first), np.nan)
    for at in range(0, len(first), _ROWS_AT_ONCE):
        low, high = first[at : at + _ROWS_AT_ONCE], end[at : at + _ROWS_AT_ONCE]
        index = low[:, None] + np.arange(int((high - low).max()))
        inside = index < high[:, None]
        table = np.where(inside, values[np.minimum(index, len(values) - 1)], np.nan)
        # NaN sorts last: the median stands in the middle of what is known.
        table.sort(axis=1)
        known = np.count_nonzero(~np.isnan(table), axis=1)
        row = np.arange(len(table))
        middle = (table[row, np.maximum(known - 1, 0) // 2] + table[row, known // 2]) / 2
        medians[at : at + _ROWS_AT_ONCE] = np.where(known >= LEAST_SAMPLES, middle, np.nan)
    return medians
