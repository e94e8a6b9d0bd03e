"""When the newest days of a store are read into memory, moved on, and given up."""

from __future__ import annotations

import os

import numpy as np

from loamline.core.columns import HOUR_US, Ints
from loamline.edges.store.connection import Store
from loamline.edges.store.reach import Reach
from loamline.edges.store.tail import Tail

#: An eighth of the machine's memory, and no more than 2 GB, which is 12 million uplinks with their readings: six days
#: of 80 000 probes that send hourly and are heard by one gateway.
MOST_BYTES = min(2 << 30, os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 8)
#: After so many commits that had to ask the store, it is worth reading its newest days again.
_PATIENCE = 64
#: By the median of so many of the last uplinks a writer that starts tells where the newest days are.
_LAST = 64
#: How much more than needed is kept, so that not every commit has something to let go of.
_SLACK_US = 6 * HOUR_US


class TailKeeping:
    """The tail of one store as its writer uses it: read by `begin` or the first commit, dropped once not trusted."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._tail: Tail | None = None
        self._too_large = False
        self._waited = _PATIENCE

    def begin(self, reach: Reach) -> None:
        """Read it now, for commits of what is heard after the last that was stored: takes seconds for a large fleet."""
        newest = "SELECT epoch_us(heard_at) FROM uplink WHERE seq > ?"
        found = self._store.con.execute(newest, [self._store.last_seq() - _LAST]).fetchall()
        self.at(np.array(found, dtype=np.int64).ravel(), reach)

    def drop(self) -> None:
        """Read it again with the next commit: what is stored is not what it was."""
        self._tail, self._waited = None, _PATIENCE

    def at(self, heard_at_us: Ints, reach: Reach) -> Tail | None:
        """Return the tail for a commit of deliveries heard then, shape (n,), or None, where the store is to be asked.

        Their median counts, which one probe's clock does not move.
        """
        if self._too_large or not len(heard_at_us):
            return None
        needed_us = int(np.median(heard_at_us)) - _depth_us(reach)
        if self._tail and self._tail.changes != self._store.changes:
            self.drop()
        if self._tail and not self._tail.fits:
            self._tail, self._too_large = None, True
            return None
        if self._tail and self._tail.since_us <= needed_us:
            self._waited = 0
            if self._tail.since_us < needed_us - _SLACK_US:
                self._tail.forget_before(needed_us)
            return self._tail
        self._waited += 1
        if self._waited > _PATIENCE:
            self._waited = 0
            self._tail = Tail(self._store, needed_us, MOST_BYTES)
            return self._tail if self._tail.fits else None
        return self._tail


def _depth_us(reach: Reach) -> int:
    """Return how far before a delivery its commit looks, with the oldest samples that it can carry."""
    return reach.back + reach.ahead + reach.age + 4 * reach.loose
