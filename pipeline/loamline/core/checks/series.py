"""What every check looks at: samples of many probes and depths in one set of columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.core.columns import Bools, Floats, Ints, group_starts


@dataclass(frozen=True)
class Series:
    """m samples in order of probe, depth and instant; every column has shape (m,), NaN for no figure.

    `series` numbers probe and depth. `placement` tells where a probe was moved. Faults are the probe's own.
    """

    series: Ints
    placement: Ints
    measured_at_us: Ints
    moisture_count: Floats
    permittivity: Floats
    vwc_m3_m3: Floats
    soil_temperature_degc: Floats
    moisture_fault: Bools
    temperature_fault: Bools
    out_of_range: Bools
    outside_transducer: Bools
    outside_soil: Bools

    @property
    def starts(self) -> Bools:
        """Where a new series begins."""
        return group_starts(self.series)


@dataclass(frozen=True)
class Thresholds:
    """The limits of each sample, one column a threshold, shape (m,); names as in `loamline_schemas.limits`."""

    columns: dict[str, Floats]

    def __getitem__(self, name: str) -> Floats:
        """Return one threshold's column."""
        return self.columns[name]


def window_extremes(values: Floats, first: Ints) -> tuple[Floats, Floats]:
    """Return the least and greatest of values[first[i]..i], NaN ignored, shape (m,); NaN where there is none.

    A sparse table of doubling spans: m log2(longest window) steps, all of them whole-column.
    """
    m = len(values)
    index = np.arange(m)
    length = index - first + 1
    low, high = values.copy(), values.copy()
    least, greatest = np.full(m, np.nan), np.full(m, np.nan)
    span = 1
    while m and span <= length.max():
        # low[i], high[i] now cover values[i-span+1..i].
        rows = np.flatnonzero((length >= span) & (length < 2 * span))
        other = first[rows] + span - 1
        least[rows] = np.fmin(low[rows], low[other])
        greatest[rows] = np.fmax(high[rows], high[other])
        low[span:] = np.fmin(low[span:], low[:-span])
        high[span:] = np.fmax(high[span:], high[:-span])
        span *= 2
    return least, greatest
