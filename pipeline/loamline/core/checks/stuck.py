"""Stuck value: has the raw figure stopped moving while the soil's temperature goes on?

Over the last 24 h (suspect) and 72 h (fail) the raw figure moved by no more than its resolution while the soil
temperature moved by more than 1 K. Where neither moved at all for 72 h, both are dead: fail. The raw figure
is the count, or the reported permittivity in steps of 0.01. A soil in balance keeps a live transducer's noise,
which moves it by more than its resolution within a day (common practice).

Not evaluated until the record reaches back over the whole window, and where the temperature moved too little
to tell.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds, window_extremes
from loamline.core.columns import HOUR_US, MINUTE_US, Bools, Flags, Floats, Ints
from loamline_schemas.verdicts import Verdict

#: Steps of reported permittivity (payload version 4) a unit.
PERMITTIVITY_STEPS = 100.0


def check_stuck(series: Series, limits: Thresholds) -> Flags:
    """Return the flag of each sample, shape (m,)."""
    raw = np.where(
        np.isnan(series.moisture_count), np.rint(series.permittivity * PERMITTIVITY_STEPS), series.moisture_count
    )
    flag = np.full(len(raw), Verdict.NOT_EVALUATED, dtype=np.uint8)
    day = _Window(series, raw, limits["stuck_suspect_hours"], limits["largest_gap_minutes"])
    days = _Window(series, raw, limits["stuck_fail_hours"], limits["largest_gap_minutes"])
    still, resolution = limits["stuck_temperature_k"], limits["stuck_counts"]
    with np.errstate(invalid="ignore"):
        flag[day.covered & (day.raw_moved > resolution)] = Verdict.PASS
        flag[day.covered & (day.raw_moved <= resolution) & (day.temperature_moved > still)] = Verdict.SUSPECT
        dead = (days.raw_moved == 0.0) & (days.temperature_moved == 0.0)
        flag[days.covered & (days.raw_moved <= resolution) & ((days.temperature_moved > still) | dead)] = Verdict.FAIL
    flag[series.moisture_fault] = Verdict.MISSING
    flag[~series.moisture_fault & np.isnan(raw)] = Verdict.NOT_EVALUATED
    return flag


class _Window:
    """How far the raw figure and the temperature moved over the last so many hours."""

    def __init__(self, series: Series, raw: Floats, hours: Floats, gap_minutes: Floats) -> None:
        at, number = series.measured_at_us, series.series
        begin = at - np.rint(hours * HOUR_US).astype(np.int64)
        first = _first_since(number, at, begin)
        # The record reaches back: some sample stands at the window's beginning, or a gap's length before it.
        before = _first_since(number, at, begin - np.rint(gap_minutes * MINUTE_US).astype(np.int64))
        self.covered: Bools = at[before] <= begin if len(at) else np.zeros(0, dtype=bool)
        least, greatest = window_extremes(raw, first)
        self.raw_moved: Floats = greatest - least
        coldest, warmest = window_extremes(series.soil_temperature_degc, first)
        self.temperature_moved: Floats = warmest - coldest


def _first_since(series: Ints, at: Ints, since: Ints) -> Ints:
    """Return the first row of each sample's own series at or after `since`, shape (m,)."""
    m = len(series)
    if m == 0:
        return np.empty(0, dtype=np.int64)
    start = np.searchsorted(series, series, side="left")
    # Row numbers in one order of series and instant: ask where (series, since) would stand.
    instants, rank = np.unique(np.concatenate([at, since]), return_inverse=True)
    key = series.astype(np.int64) * (len(instants) + 1)
    return np.asarray(np.maximum(np.searchsorted(key + rank[:m], key + rank[m:], side="left"), start))
