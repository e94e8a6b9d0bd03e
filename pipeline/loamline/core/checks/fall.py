"""Fall: did the soil lose water faster than it can?

Rain and irrigation come as fast as they like; water leaves only by drainage, roots and evaporation. A step down that
no drainage explains is a transducer that lost its grip: a gap opened beside it, water in the cable, a board that
shifted.

A sample is suspect where it stands more than `fall_suspect_per_hour` (0.06 m3/m3) under the *lowest* water content of
the `fall_memory_hours` (72 h) before it, and fails where by more than `fall_fail_per_hour` (0.20). Where that lowest
stands above `fall_drains_above` (0.35), both are wider by `fall_drainage_per_hour` (0.14). All are taken times the
hours since the sample before where that is more than one, and never across more than the largest gap.

Why the lowest, and not the sample before: a wetting pulse beside a dripper, or rain in a crack, falls as sharply as
it rose, but only back towards where it began. What came within the memory may go at once; what was there all the time
can't. That leaves water that stood for longer, under a water table. With unit gradient and the conductivity of Saxton
& Rawls 2006 (Soil Sci. Soc. Am. J. 70:1569-1578, eq. 17 and 18, Table 3), saturated loamy sand, the quickest of the 12
USDA classes, loses 0.117 m3/m3 in the first hour over 10 cm of soil and 0.138 over 5 cm; loam 0.06 and 0.07, clay 0.01.
No class is saturated under 0.43, and steadily wetted loamy sand at 0.35 loses 0.04 at most. So the bounds are safe for
all of them, and blunt for wet clay: lower the drainage by texture. Under an hour nothing is scaled down, since drainage
is quickest at its beginning. A slab of substrate may be drunk empty faster: raise the first two there (common
practice).

It does not count where the water is back within `fall_return_hours` (6 h) by more than half of the step: it never
left. Nor near freezing, where the frost check has its word: ice hides water within the hour.

Looks back `fall_memory_hours` and the largest gap, forward `fall_return_hours`. A step that is too steep is not
evaluated while its right neighbour, or a record as long as the memory, is missing. Samples without a water content
are passed over.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds, row_at_or_after, stretches
from loamline.core.columns import HOUR_US, MINUTE_US, Bools, Flags, Floats, Ints, group_starts
from loamline_schemas.verdicts import Verdict


def check_fall(series: Series, limits: Thresholds) -> Flags:
    """Return the flag of each sample, shape (m,)."""
    flag = np.full(len(series.series), Verdict.NOT_EVALUATED, dtype=np.uint8)
    rows = np.flatnonzero(~np.isnan(series.vwc_m3_m3))
    run = np.cumsum(group_starts(series.series, series.placement), dtype=np.int64)[rows]
    told = _Told(series, limits, rows, run)
    flag[rows] = told.flags()
    flag[series.moisture_fault] = Verdict.MISSING
    return flag


class _Told:
    """The samples that have a water content, as columns of their own, shape (k,)."""

    def __init__(self, series: Series, limits: Thresholds, rows: Ints, run: Ints) -> None:
        self._vwc: Floats = series.vwc_m3_m3[rows]
        self._at: Ints = series.measured_at_us[rows]
        self._start, self._end = stretches(run)
        self._gap: Ints = _us(limits["largest_gap_minutes"][rows], MINUTE_US)
        self._memory: Ints = _us(limits["fall_memory_hours"][rows], HOUR_US)
        self._return: Ints = _us(limits["fall_return_hours"][rows], HOUR_US)
        self._suspect: Floats = limits["fall_suspect_per_hour"][rows]
        self._fail: Floats = limits["fall_fail_per_hour"][rows]
        self._drains_above: Floats = limits["fall_drains_above"][rows]
        self._drainage: Floats = limits["fall_drainage_per_hour"][rows]
        temperature = series.soil_temperature_degc[rows]
        with np.errstate(invalid="ignore"):
            self._near_frost: Bools = temperature <= limits["frost_at_degc"][rows] + limits["frost_tolerance_k"][rows]

    def flags(self) -> Flags:
        """Return the flag of each sample, shape (k,)."""
        k = len(self._vwc)
        flag = np.full(k, Verdict.NOT_EVALUATED, dtype=np.uint8)
        if k < 2:
            return flag
        since = np.diff(self._at, prepend=self._at[0])
        follows = (np.arange(k) > self._start) & (since <= self._gap)
        flag[follows] = Verdict.PASS
        hours = np.maximum(since / HOUR_US, 1.0)
        step = -np.diff(self._vwc, prepend=self._vwc[0])
        frozen = self._near_frost | np.concatenate([[False], self._near_frost[:-1]])
        steep = np.flatnonzero(follows & (step > self._suspect * hours) & ~frozen)
        flag[steep] = self._judged(steep, hours[steep])
        return flag

    def _judged(self, steep: Ints, hours: Floats) -> Flags:
        """Return the flags of the samples that stand steeply under the one before."""
        vwc, at = self._vwc, self._at
        begin = at[steep] - self._memory[steep]
        first = row_at_or_after(at, begin, self._start[steep], steep - 1)
        lowest = _least(vwc, first, steep)
        depth = lowest - vwc[steep]
        drainage = np.where(lowest > self._drains_above[steep], self._drainage[steep], 0.0)
        flag = np.full(len(steep), Verdict.PASS, dtype=np.uint8)
        flag[depth > (self._suspect[steep] + drainage) * hours] = Verdict.SUSPECT
        flag[depth > (self._fail[steep] + drainage) * hours] = Verdict.FAIL
        after = row_at_or_after(at, at[steep] + self._return[steep] + 1, steep, self._end[steep])
        # From the fallen sample itself on, so that there is always one to look at.
        highest = -_least(-vwc, steep, after)
        flag[highest > (vwc[steep] + vwc[steep - 1]) / 2] = Verdict.PASS
        right = np.minimum(steep + 1, len(vwc) - 1)
        alone = (steep + 1 >= self._end[steep]) | (at[right] - at[steep] > self._gap[right])
        before = row_at_or_after(at, begin - self._gap[steep], self._start[steep], steep)
        short = at[before] > begin
        flag[(alone | short) & (flag != Verdict.PASS)] = Verdict.NOT_EVALUATED
        return flag


def _least(values: Floats, first: Ints, end: Ints) -> Floats:
    """Return the least of values[first[j]..end[j]-1], shape (c,); none of these stretches is empty."""
    if not len(first):
        return np.empty(0)
    # One more value, so that a stretch may end where the column does.
    padded = np.append(values, np.inf)
    least: Floats = np.minimum.reduceat(padded, np.stack([first, end], axis=1).ravel())[::2]
    return least


def _us(figure: Floats, unit_us: int) -> Ints:
    return np.rint(figure * unit_us).astype(np.int64)
