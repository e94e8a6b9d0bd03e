"""Spike: does one sample stand off both of its neighbours in the same direction?

QARTOD's spike test in its differential form: the smaller of the two steps counts, so that a wetting front, which
rises and stays, never flags. Nor does one that drains: water that came within the hour beside a dripper or in a crack
sinks on at once, and sand may lose 0.1 m3/m3 in an hour. A spike goes back all the way, water only in part, so a rise
of which more than `spike_kept_share` (a quarter) is still there in the next sample is a wetting, however sharp. With
a share of 1 the test is QARTOD's and nothing else.

The newest sample is not evaluated until its right neighbour comes; nor is one whose neighbour is too far away, has no
figure, or was taken in another placement.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds
from loamline.core.columns import MINUTE_US, Flags
from loamline_schemas.verdicts import Verdict


def check_spike(series: Series, limits: Thresholds) -> Flags:
    """Return the flag of each sample, shape (m,)."""
    m = len(series.series)
    vwc, at = series.vwc_m3_m3, series.measured_at_us
    flag = np.full(m, Verdict.NOT_EVALUATED, dtype=np.uint8)
    flag[series.moisture_fault] = Verdict.MISSING
    if m < 3:
        return flag
    near = np.diff(at) <= limits["largest_gap_minutes"][1:] * MINUTE_US
    near &= (series.series[1:] == series.series[:-1]) & (series.placement[1:] == series.placement[:-1])
    step = np.diff(vwc)
    left, right = step[:-1], -step[1:]
    usable = near[:-1] & near[1:] & ~np.isnan(left) & ~np.isnan(right)
    with np.errstate(invalid="ignore"):
        height = np.where(left * right > 0, np.minimum(np.abs(left), np.abs(right)), 0.0)
        drains = (left > 0) & (left - right > limits["spike_kept_share"][1:-1] * left)
    height[drains] = 0.0
    inner = np.full(m - 2, Verdict.PASS, dtype=np.uint8)
    inner[height > limits["spike_suspect"][1:-1]] = Verdict.SUSPECT
    inner[height > limits["spike_fail"][1:-1]] = Verdict.FAIL
    flag[1:-1][usable] = inner[usable]
    return flag
