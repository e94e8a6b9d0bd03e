"""Which stretch of a probe's history a batch can change, and how much of the raw log decides it.

A new sample changes the verdicts of others near it: spike looks one neighbour to either side, stuck back over its
longest window, frost back to the last settled temperature. So a batch has, for each probe, a *dirty* span
(readings that may change) inside a *context* span (samples that must be known to derive them).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loamline.core.columns import HOUR_US, MINUTE_US, Bools, Ints
from loamline_schemas.columns import INSTANT
from loamline_schemas.limits import Limits

#: The years 1 to 9999, as far as an instant can be written.
EARLIEST_US, LATEST_US = -62_135_596_800_000_000, 253_402_300_799_999_999

#: The longest interval that a payload of the built-in family can name.
_LONGEST_INTERVAL_MINUTES = 255.0


@dataclass(frozen=True)
class Reach:
    """How far one sample's influence goes, microseconds."""

    stuck_us: int
    margin_us: int
    age_us: int

    @classmethod
    def of(cls, limits: Iterable[Limits], longest_age_minutes: int) -> Reach:
        """Return the reach under the widest of `limits` and the longest backfill of the codecs."""
        told = list(limits) or [Limits()]
        gap = max(limit.largest_gap_minutes for limit in told)
        quarter = max(_LONGEST_INTERVAL_MINUTES, *(limit.interval_minutes for limit in told)) / 4
        return cls(
            stuck_us=int(max(limit.stuck_fail_hours for limit in told) * HOUR_US + gap * MINUTE_US),
            margin_us=int(2 * max(gap, quarter, 10.0) * MINUTE_US),
            age_us=longest_age_minutes * MINUTE_US,
        )


@dataclass(frozen=True)
class Windows:
    """One window a probe: columns of shape (p,), instants in microseconds; `probe_id` ascending."""

    probe_id: Ints
    dirty_from: Ints
    dirty_to: Ints
    context_from: Ints
    heard_to: Ints

    def table(self) -> pa.Table:
        """Return the windows as Arrow, instants as timestamps."""
        columns = {"probe_id": pa.array(self.probe_id, pa.int32())}
        for name in ("dirty_from", "dirty_to", "context_from", "heard_to"):
            columns[name] = pa.array(getattr(self, name), pa.int64()).cast(INSTANT)
        return pa.table(columns)

    def dirty(self, probe_id: Ints, at_us: Ints) -> Bools:
        """Return which of m rows lie in their probe's dirty span, shape (m,)."""
        index = np.searchsorted(self.probe_id, probe_id)
        return np.asarray((at_us >= self.dirty_from[index]) & (at_us <= self.dirty_to[index]))

    def widened(self, probes: Ints) -> Windows:
        """Return the windows with the whole history of `probes`."""
        wide = np.isin(self.probe_id, probes)
        return Windows(
            self.probe_id,
            np.where(wide, EARLIEST_US, self.dirty_from),
            np.where(wide, LATEST_US, self.dirty_to),
            np.where(wide, EARLIEST_US, self.context_from),
            np.where(wide, LATEST_US, self.heard_to),
        )


def windows(probe_id: Ints, heard_at_us: Ints, reach: Reach) -> Windows:
    """Return the window of each probe that n new deliveries touch; both columns have shape (n,)."""
    probes, which = np.unique(probe_id, return_inverse=True)
    earliest = np.full(len(probes), LATEST_US, dtype=np.int64)
    latest = np.full(len(probes), EARLIEST_US, dtype=np.int64)
    np.minimum.at(earliest, which, heard_at_us)
    np.maximum.at(latest, which, heard_at_us)
    dirty_from = earliest - reach.age_us - reach.margin_us
    dirty_to = latest + reach.stuck_us + reach.margin_us
    spans = (
        dirty_from,
        dirty_to,
        dirty_from - reach.stuck_us - reach.margin_us,
        dirty_to + reach.margin_us + reach.age_us,
    )
    return Windows(probes, *(np.clip(span, EARLIEST_US, LATEST_US) for span in spans))
