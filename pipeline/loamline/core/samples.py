"""From decoded payloads to one sample an instant: ages, instants, and which of two samples counts.

Two samples of one probe and depth that stand closer than a quarter of the interval, single linkage, are one.
The less aged wins, then the earlier heard, then the smaller uplink key: a total order, so that the
outcome depends on the set of uplinks alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.core.columns import MINUTE_US, Floats, Ints, group_starts


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
    uplink_key: tuple[Ints, ...],
    figures: tuple[Floats, ...],
) -> Kept:
    """Return which of m samples count. `series` numbers probe and depth; every column has shape (m,).

    Where two neighbours have different intervals, the shorter one decides whether they are one.
    `uplink_key` holds the columns that break a tie, the most important first; equal figures are no conflict.
    """
    m = len(series)
    order = np.lexsort((*reversed(uplink_key), heard_at_us, age_minutes, measured_at_us, series))
    at, own = measured_at_us[order], series[order]
    quarter = interval_minutes[order] * (MINUTE_US / 4)
    starts = group_starts(own)
    if m:
        # At one instant there is one sample, even if a payload says that its interval is nothing.
        starts[1:] |= np.diff(at) >= np.maximum(np.minimum(quarter[1:], quarter[:-1]), 1.0)
    cluster = np.cumsum(starts) - 1
    ranked = np.lexsort(
        (*(key[order] for key in reversed(uplink_key)), heard_at_us[order], age_minutes[order], cluster)
    )
    best = ranked[np.flatnonzero(group_starts(cluster[ranked]))]
    differs = np.zeros(m, dtype=bool)
    for figure in figures:
        ours, winners = figure[order], figure[order][best][cluster]
        differs |= (ours != winners) & ~(np.isnan(ours) & np.isnan(winners))
    conflicts = np.bincount(cluster[differs], minlength=len(best)).astype(np.int64)
    edges = np.flatnonzero(starts)
    return Kept(order[best], conflicts, (at[edges], at[np.append(edges[1:], m) - 1] if m else at))
