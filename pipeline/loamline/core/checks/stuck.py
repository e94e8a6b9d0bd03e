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
from loamline.core.columns import HOUR_US, MINUTE_US, Bools, Flags, Floats, rows_since
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
    still, resolution = limits["stuck_temperature_k"], limits["stuck_counts"]
    with np.errstate(invalid="ignore"):
        flag[day.covered & (day.raw_moved > resolution)] = Verdict.PASS
        flag[day.told & (day.raw_moved <= resolution) & (day.temperature_moved > still)] = Verdict.SUSPECT
        dead = (days.raw_moved == 0.0) & (days.temperature_moved == 0.0)
        flag[days.told & (days.raw_moved <= resolution) & ((days.temperature_moved > still) | dead)] = Verdict.FAIL
    flag[series.moisture_fault] = Verdict.MISSING
    flag[~series.moisture_fault & np.isnan(raw)] = Verdict.NOT_EVALUATED
    return flag


class _Window:
    """How far the raw figure and the temperature moved over the last so many hours."""

    def __init__(self, series: Series, raw: Floats, hours: Floats, limits: Thresholds) -> None:
        at, starts = series.measured_at_us, series.starts
        begin = at - np.rint(hours * HOUR_US).astype(np.int64)
        first = rows_since(starts, at, begin)
        # The record reaches back: some sample stands at the window's beginning, or a gap's length before it.
        before = rows_since(starts, at, begin - np.rint(limits["largest_gap_minutes"] * MINUTE_US).astype(np.int64))
        self.covered: Bools = at[before] <= begin if len(at) else np.zeros(0, dtype=bool)
        so_far = np.concatenate([[0], np.cumsum(~np.isnan(raw))])
        figures = so_far[1:] - so_far[first]
        self.told: Bools = self.covered & (figures * limits["interval_minutes"] >= hours * 60.0 / 2)
        least, greatest = window_extremes(raw, first)
        self.raw_moved: Floats = greatest - least
        coldest, warmest = window_extremes(series.soil_temperature_degc, first)
        self.temperature_moved: Floats = warmest - coldest
