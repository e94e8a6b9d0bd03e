"""Stuck value: has the raw figure stopped moving while the soil's temperature goes on?

Over the last 24 h (suspect) and 72 h (fail) the raw figure moved by no more than its resolution while the soil
temperature moved by more than 1 K. Where neither moved at all for 72 h, both are dead: fail. The raw figure
is the count, or the reported permittivity in steps of 0.01. A soil in balance keeps a live transducer's noise,
which moves it by more than its resolution within a day (common practice).

Not evaluated until the record reaches back over the whole window, where the temperature moved too little to tell, and
where fault codes or silence left raw figures for less than half of the window: two figures that agree prove nothing.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds, window_extremes
from loamline.core.columns import HOUR_US, MINUTE_US, Bools, Flags, Floats, Ints, rows_since
from loamline_schemas.verdicts import Verdict

#: Steps of reported permittivity (payload version 4) a unit.
PERMITTIVITY_STEPS = 100.0


def check_stuck(series: Series, limits: Thresholds) -> Flags:
    """Return the flag of each sample, shape (m,)."""
    raw = np.where(
        np.isnan(series.moisture_count), np.rint(series.permittivity * PERMITTIVITY_STEPS), series.moisture_count
    )
    flag = np.full(len(raw), Verdict.NOT_EVALUATED, dtype=np.uint8)
    day = _Window(series, raw, limits["stuck_suspect_hours"], limits)
    days = _Window(series, raw, limits["stuck_fail_hours"], limits)
    flag[day.covered & day.moved] = Verdict.PASS
    still = limits["stuck_temperature_k"]
    rows, by_temperature = day.stood(series)
    flag[rows[by_temperature > still[rows]]] = Verdict.SUSPECT
    rows, by_temperature = days.stood(series)
    dead = (days.raw_moved[rows] == 0.0) & (by_temperature == 0.0)
    flag[rows[(by_temperature > still[rows]) | dead]] = Verdict.FAIL
    flag[series.moisture_fault] = Verdict.MISSING
    flag[~series.moisture_fault & np.isnan(raw)] = Verdict.NOT_EVALUATED
    return flag


class _Window:
    """How far the raw figure moved over the last so many hours; every column has shape (m,).

    `covered`: the record reaches back over all of them. `moved`: the raw figure did by more than its resolution; where
    it did not, `raw_moved` tells by how much, NaN where that is not known either.
    """

    def __init__(self, series: Series, raw: Floats, hours: Floats, limits: Thresholds) -> None:
        at, starts = series.measured_at_us, series.starts
        begin = at - np.rint(hours * HOUR_US).astype(np.int64)
        self._first = rows_since(starts, at, begin)
        self.covered: Bools = _covered(at, starts, self._first, begin, limits["largest_gap_minutes"])
        so_far = np.concatenate([[0], np.cumsum(~np.isnan(raw))])
        figures = so_far[1:] - so_far[self._first]
        self._told: Bools = self.covered & (figures * limits["interval_minutes"] >= hours * 60.0 / 2)
        resolution = limits["stuck_counts"]
        # One step of more than that within the window is enough to know; few windows have none.
        self.moved: Bools = _stepped(raw, self._first, float(resolution.max(initial=0.0)))
        rows = np.flatnonzero(self.covered & ~self.moved)
        least, greatest = window_extremes(raw, self._first, rows)
        self.raw_moved = np.full(len(raw), np.nan)
        self.raw_moved[rows] = greatest - least
        with np.errstate(invalid="ignore"):
            self.moved[rows] = self.raw_moved[rows] > resolution[rows]
            self._still: Bools = self.raw_moved <= resolution

    def stood(self, series: Series) -> tuple[Ints, Floats]:
        """Return the samples over whose window the raw figure is known to have stood, and by how much the temperature
        moved there; both of shape (c,).
        """
        rows = np.flatnonzero(self._told & self._still)
        coldest, warmest = window_extremes(series.soil_temperature_degc, self._first, rows)
        return rows, warmest - coldest


def _covered(at: Ints, starts: Bools, first: Ints, begin: Ints, largest_gap_minutes: Floats) -> Bools:
    """Return for which samples one stands at the window's beginning, or at most a gap's length before it."""
    gap = np.rint(largest_gap_minutes * MINUTE_US).astype(np.int64)
    # The last at or before the beginning: the window's first sample itself, or the one before it in the series.
    before = np.maximum(first - 1, 0)
    earlier = ~starts[first] & (at[before] >= begin - gap)
    return np.asarray((at[first] == begin) | earlier)


def _stepped(raw: Floats, first: Ints, resolution: float) -> Bools:
    """Return in which windows, each from `first` to its own row, one figure differs from the next by more than that."""
    index = np.arange(len(raw))
    with np.errstate(invalid="ignore"):
        steps = np.abs(np.diff(raw, prepend=raw[:1])) > resolution
    latest = np.maximum.accumulate(np.where(steps, index, -1)) if len(raw) else index
    return np.asarray(latest > first)
