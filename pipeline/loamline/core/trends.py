"""A trend that outliers don't turn: the median of the slopes between all pairs, with an interval.

Source: Theil 1950 and Sen 1968 (J. Am. Stat. Assoc. 63:1379-1389), by `scipy.stats.theilslopes`. Sen's interval holds
for values independent of each other; those of neighbouring days are not quite, so that it is somewhat too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.core.columns import DAY_US, Floats, Ints, group_starts, medians

#: Fewer days than this with values, or a shorter span, say nothing of a trend (common practice).
LEAST_DAYS = 14
#: Pairs grow with the square of the values, so that longer records are thinned to so many.
_MOST_VALUES = 1_000
_CONFIDENCE = 0.95


@dataclass(frozen=True)
class Trend:
    """Change per 30 days, with the ends of its 95 % interval; `days` had values. Unit of the values."""

    per_30_days: float
    low: float
    high: float
    days: int


def daily_medians(at_us: Ints, values: Floats) -> tuple[Ints, Floats]:
    """Return the UTC days (since 1970) that have values and the median of each, ascending; NaN is no value."""
    known = ~np.isnan(values)
    day, value = at_us[known] // DAY_US, values[known]
    order = np.argsort(day, kind="stable")
    day = day[order]
    starts = np.flatnonzero(group_starts(day))
    return day[starts], medians(value[order], starts)


def trend(days: Ints, values: Floats) -> Trend | None:
    """Return the trend of one value a day, both shape (d,); None where there is not enough data."""
    if len(days) < LEAST_DAYS or days.max() - days.min() < LEAST_DAYS:
        return None
    # A third of a second, for nothing where there is no trend to be told.
    from scipy.stats import theilslopes  # noqa: PLC0415 - see above

    kept = np.unique(np.linspace(0, len(days) - 1, min(len(days), _MOST_VALUES)).round().astype(np.int64))
    slope, _, low, high = theilslopes(values[kept], days[kept].astype(float), alpha=_CONFIDENCE)
    return Trend(30.0 * float(slope), 30.0 * float(low), 30.0 * float(high), len(days))
