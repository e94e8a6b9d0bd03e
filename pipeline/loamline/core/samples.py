"""From decoded payloads to one sample an instant: ages, instants, and which of two samples counts.

Two samples of one probe and depth that stand closer than a quarter of the interval, single linkage, are one.
The less aged wins, then the earlier heard, then the smaller uplink key: a total order, so that the
outcome depends on the set of uplinks alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import MINUTE_US, Floats, Ints, group_starts, order_by


@dataclass(frozen=True)
class Kept:
    """The samples that count, in order of probe, depth and instant: `row` indexes the m given ones, shape (k,).

    `conflicts`: how many other samples of the same instant told other figures, shape (k,). `span_us`: first and
    last instant of the samples that were weighed against each other.
    """

    row: Ints
    conflicts: Ints
    span_us: tuple[Ints, Ints]


def measured_at(heard_at_us: Ints, age_minutes: Ints) -> Ints:
    """Return when each sample was taken, microseconds since 1970, shape (m,)."""
    return np.asarray(heard_at_us - age_minutes.astype(np.int64) * MINUTE_US)


def coalesce(
    series: Ints,
    measured_at_us: Ints,
    interval_minutes: Floats,
    age_minutes: Ints,
    heard_at_us: Ints,
    uplink_key: Callable[[Ints], tuple[Ints, ...]],
    figures: tuple[Floats, ...],
) -> Kept:
    """Return which of m samples count. `series` numbers probe and depth; every column has shape (m,).

    Where two neighbours have different intervals, the shorter one decides whether they are one.
    `uplink_key` gives, for some samples, the columns that break a tie, the most important first; few have one. Equal
    figures are no conflict.
    """
    m = len(series)
    order = order_by(series, measured_at_us)
    at, own, quarter = measured_at_us[order], series[order], interval_minutes[order] * (MINUTE_US / 4)
    starts = group_starts(own)
    tied = ~group_starts(own, at)
    if (quarter[1:] != quarter[:-1])[tied[1:]].any():
        # Which of two samples of one instant stands beside the next one's interval is told by the total order.
        key = uplink_key(np.arange(m))
        order = np.lexsort((*reversed(key), heard_at_us, age_minutes, measured_at_us, series))
        quarter = interval_minutes[order] * (MINUTE_US / 4)
    if m:
        # At one instant there is one sample, even if a payload says that its interval is nothing.
        starts[1:] |= np.diff(at) >= np.maximum(np.minimum(quarter[1:], quarter[:-1]), 1.0)
    edges = np.flatnonzero(starts)
    best = order[edges]
    conflicts = np.zeros(len(edges), dtype=np.int64)
    lengths = np.diff(edges, append=m)
    several = np.flatnonzero(lengths > 1)
    if len(several):
        rows = order[np.repeat(lengths > 1, lengths)]
        cluster = np.repeat(np.arange(len(several)), lengths[several])
        best[several] = _winners(rows, cluster, age_minutes, heard_at_us, uplink_key)
        winner = best[several][cluster]
        differs = np.zeros(len(rows), dtype=bool)
        for figure in figures:
            ours, winners = figure[rows], figure[winner]
            differs |= (ours != winners) & ~(np.isnan(ours) & np.isnan(winners))
        conflicts[several] = np.bincount(cluster[differs], minlength=len(several))
    return Kept(best, conflicts, (at[edges], at[np.append(edges[1:], m) - 1] if m else at))


def _winners(
    rows: Ints, cluster: Ints, age_minutes: Ints, heard_at_us: Ints, uplink_key: Callable[[Ints], tuple[Ints, ...]]
) -> Ints:
    """Return which of `rows` counts in each cluster; clusters stand together, numbered from 0 on."""
    for column in (age_minutes, heard_at_us):
        told = column[rows]
        least = np.minimum.reduceat(told, np.flatnonzero(group_starts(cluster)))
        left = told == least[cluster]
        rows, cluster = rows[left], cluster[left]
    if (cluster[1:] == cluster[:-1]).any():
        ranked = np.lexsort((*reversed(uplink_key(rows)), cluster))
        rows, cluster = rows[ranked], cluster[ranked]
    return rows[np.flatnonzero(group_starts(cluster))]
