"""Which stretch of a probe's history a batch can change, and how much of the raw log decides it.

A new sample changes the verdicts of others near it, as far as checks look. So a batch has, for each probe, a *touched*
span (where its samples stand) inside a *dirty* span (readings that may change) inside a *needed* span (readings that
decide those) inside a *context* (the part of the raw log that is read). What a window of this length doesn't settle
makes it wider (`window_ends`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, Ints, first_and_last
from loamline.edges.store.reach import Reach
from loamline_schemas.columns import INSTANT

#: The years 1 to 9999, as far as an instant can be written.
EARLIEST_US, LATEST_US = -62_135_596_800_000_000, 253_402_300_799_999_999

#: A window that was too short becomes so many times as wide.
_GROWTH = 4


@dataclass(frozen=True)
class Windows:
    """One window a probe: columns of shape (p,), instants in microseconds, ends included; `probe_id` ascending."""

    probe_id: Ints
    touched_from: Ints
    touched_to: Ints
    dirty_from: Ints
    dirty_to: Ints
    reach: Reach

    @cached_property
    def needed_from(self) -> Ints:
        """The first instant whose reading decides a dirty one."""
        return _clipped(self.dirty_from - self.reach.back)

    @cached_property
    def needed_to(self) -> Ints:
        """The last instant whose reading decides a dirty one."""
        return _clipped(self.dirty_to + self.reach.ahead)

    @cached_property
    def context_from(self) -> Ints:
        """The first instant at which a delivery that is read was heard."""
        return _clipped(self.needed_from - 3 * self.reach.loose)

    @cached_property
    def heard_to(self) -> Ints:
        """The last instant at which a delivery that is read was heard."""
        return _clipped(self.needed_to + self.reach.age + 3 * self.reach.loose)

    @cached_property
    def sure_from(self) -> Ints:
        """Samples after this instant are what they are, whatever stands before the context."""
        return np.where(self.context_from > EARLIEST_US, self.context_from + self.reach.loose, EARLIEST_US - 1)

    @cached_property
    def sure_to(self) -> Ints:
        """Samples before this instant are what they are, whatever stands behind the context."""
        short = self.heard_to - self.reach.age - self.reach.loose
        return np.where(self.heard_to < LATEST_US, short, LATEST_US + 1)

    def table(self) -> pa.Table:
        """Return the windows as Arrow, instants as timestamps."""
        columns = {"probe_id": pa.array(self.probe_id, pa.int32())}
        for name in ("dirty_from", "dirty_to", "context_from", "heard_to"):
            columns[name] = pa.array(getattr(self, name), pa.int64()).cast(INSTANT)
        return pa.table(columns)

    def index(self, probe_id: Ints) -> Ints:
        """Return the position of each row's probe here, shape (m,); -1 where it has no window."""
        if not len(self.probe_id):
            return np.full(len(probe_id), -1, dtype=np.int64)
        found = np.minimum(np.searchsorted(self.probe_id, probe_id), len(self.probe_id) - 1)
        return np.where(self.probe_id[found] == probe_id, found, -1)

    def dirty(self, probe_id: Ints, at_us: Ints) -> Bools:
        """Return which of m rows lie in their probe's dirty span, shape (m,)."""
        if not len(self.probe_id):
            return np.zeros(len(probe_id), dtype=bool)
        index = self.index(probe_id)
        return np.asarray((index >= 0) & (at_us >= self.dirty_from[index]) & (at_us <= self.dirty_to[index]))

    def of(self, which: Bools) -> Windows:
        """Return some of the windows."""
        return Windows(
            self.probe_id[which],
            self.touched_from[which],
            self.touched_to[which],
            self.dirty_from[which],
            self.dirty_to[which],
            self.reach,
        )

    def widened(self, before: Bools, after: Bools) -> Windows:
        """Return the windows with more of the history before, and after, the touched span; both have shape (p,)."""
        earlier = self.touched_from - _GROWTH * (self.touched_from - self.dirty_from)
        later = self.touched_to + _GROWTH * (self.dirty_to - self.touched_to)
        return Windows(
            self.probe_id,
            self.touched_from,
            self.touched_to,
            _clipped(np.where(before, earlier, self.dirty_from)),
            _clipped(np.where(after, later, self.dirty_to)),
            self.reach,
        )


def windows(probe_id: Ints, heard_at_us: Ints, oldest_age_us: Ints, reach: Reach) -> Windows:
    """Return the window of each probe that n deliveries touch; every column has shape (n,).

    `oldest_age_us`: how much older than its uplink the oldest sample of each is.
    """
    probes, earliest, latest = first_and_last(probe_id, heard_at_us - oldest_age_us, heard_at_us)
    # A delivery moves, joins and parts what stands as near to it as `loose`.
    touched_from, touched_to = _clipped(earliest - reach.loose), _clipped(latest + reach.loose)
    dirty_from, dirty_to = _clipped(touched_from - reach.ahead), _clipped(touched_to + reach.back)
    return Windows(probes, touched_from, touched_to, dirty_from, dirty_to, reach)


def _clipped(instants_us: Ints) -> Ints:
    return np.clip(instants_us, EARLIEST_US, LATEST_US)
