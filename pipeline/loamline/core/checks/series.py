"""What every check looks at: samples of many probes and depths in one set of columns."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from loamline.core.columns import Bools, Floats, Ints, group_starts

#: Windows are looked through value by value where they hold at most so many times the column's values.
_LOOKED_THROUGH = 4


def _untold() -> Floats:
    return np.empty(0)


@dataclass(frozen=True)
class Series:
    """m samples in order of probe, depth and instant; every column has shape (m,), NaN for no figure.

    `series` numbers probe and depth. `placement` tells where a probe was moved. Faults are the probe's own.

    The last five may be left out, which tells nothing of any sample: `supply_v`, volts; `supply_low` and `tilted`, 1 or
    0 as the payload has it; `depth_cm`, of the placement; `relative_count`, the temperature-corrected count between
    air (0) and water (1) of the probe's factory record.
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
    supply_v: Floats = field(default_factory=_untold)
    supply_low: Floats = field(default_factory=_untold)
    tilted: Floats = field(default_factory=_untold)
    depth_cm: Floats = field(default_factory=_untold)
    relative_count: Floats = field(default_factory=_untold)

    def __post_init__(self) -> None:
        m = len(self.series)
        for name in ("supply_v", "supply_low", "tilted", "depth_cm", "relative_count"):
            if m and not len(getattr(self, name)):
                object.__setattr__(self, name, np.full(m, np.nan))

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


def row_at_or_after(at_us: Ints, since_us: Ints, low: Ints, high: Ints) -> Ints:
    """Return the first of rows low[j]..high[j]-1 at or after since_us[j], high[j] where there is none; shape (c,).

    `at_us` ascends within each of these stretches. All c stretches are halved at once.
    """
    low, high = low.copy(), high.copy()
    while len(low) and (low < high).any():
        middle = (low + high) // 2
        # An empty stretch at the very end has no row to look at, and none to move to.
        earlier = (low < high) & (at_us[np.minimum(middle, len(at_us) - 1)] < since_us)
        low, high = np.where(earlier, middle + 1, low), np.where(earlier, high, middle)
    return low


def stretches(number: Ints) -> tuple[Ints, Ints]:
    """Return the first row of each row's own run of equal numbers, and the row after its last; shape (m,)."""
    starts = np.flatnonzero(group_starts(number))
    lengths = np.diff(starts, append=len(number))
    return np.repeat(starts, lengths), np.repeat(starts + lengths, lengths)


def window_extremes(values: Floats, first: Ints, rows: Ints | None = None) -> tuple[Floats, Floats]:
    """Return the least and greatest of values[first[i]..i], NaN ignored, shape (m,); NaN where there is none.

    `rows`, shape (c,), asks for these i alone, and makes both results' shape (c,). Few short windows are looked
    through; else a sparse table of doubling spans takes m log2(longest window) steps, all of them whole-column.
    """
    m = len(values)
    asked = np.arange(m) if rows is None else rows
    length = asked - first[asked] + 1
    if int(length.sum()) <= _LOOKED_THROUGH * m:
        return _looked_through(values, first[asked], asked)
    least, greatest = np.full((2, len(asked)), np.nan)
    low, high = values.copy(), values.copy()
    span, longest = 1, int(length.max())
    while span <= longest:
        # low[i], high[i] now cover values[i-span+1..i].
        found = np.flatnonzero((length >= span) & (length < 2 * span))
        at, other = asked[found], first[asked[found]] + span - 1
        least[found] = np.fmin(low[at], low[other])
        greatest[found] = np.fmax(high[at], high[other])
        if 2 * span <= longest:
            low[span:] = np.fmin(low[span:], low[:-span])
            high[span:] = np.fmax(high[span:], high[:-span])
        span *= 2
    return least, greatest


def _looked_through(values: Floats, first: Ints, rows: Ints) -> tuple[Floats, Floats]:
    if not len(rows):
        return np.empty(0), np.empty(0)
    # One more value, so that a window may end where the column does.
    padded = np.append(values, np.nan)
    edges = np.stack([first, rows + 1], axis=1).ravel()
    return np.fmin.reduceat(padded, edges)[::2], np.fmax.reduceat(padded, edges)[::2]
