"""What holds when: rows of many series over time, looked up for a whole batch of instants at once."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

import numpy as np

from loamline.core.columns import Ints

#: Before and after every instant, microseconds since 1970.
SINCE_EVER = int(np.iinfo(np.int64).min)
FOREVER = int(np.iinfo(np.int64).max)
#: Keys lie close where there are at most so many times as many of them as rows.
_CLOSE = 8


class Timeline:
    """Rows of several series, each a key, its first instant, its end (excluded) and a number.

    A row holds from its first instant until its end, or until the next row of its series begins.
    """

    def __init__(self, rows: Iterable[tuple[int, int, int, int]]) -> None:
        columns = np.array(list(rows), dtype=np.int64).reshape(-1, 4)
        order = np.lexsort((columns[:, 1], columns[:, 0]))
        self._keys, self._from, self._to, self._numbers = np.ascontiguousarray(columns[order].T)
        self._least = int(self._keys[0]) if len(columns) else 0
        span = int(self._keys[-1]) - self._least + 1 if len(columns) else 0
        # Where the rows of each key begin, for keys that lie close; others are searched for.
        self._starts = (
            np.append(np.searchsorted(self._keys, self._least + np.arange(span + 1)), len(columns))
            if span <= _CLOSE * (len(columns) + 1)
            else None
        )

    def _rows_of(self, key: Ints) -> tuple[Ints, Ints]:
        """Return the first row of each key and the one after its last."""
        if self._starts is None:
            return np.searchsorted(self._keys, key, "left"), np.searchsorted(self._keys, key, "right")
        unknown = len(self._starts) - 2
        place = key - self._least
        place = np.where((place >= 0) & (place < unknown), place, unknown)
        return self._starts[place], self._starts[place + 1]

    @property
    def bounds_us(self) -> Ints:
        """Every instant at which a row begins or ends, ascending; between two of them nothing changes."""
        return np.unique(np.concatenate([self._from, self._to]))

    def at(self, key: Ints, at_us: Ints) -> Ints:
        """Return the number of the row that holds for each key and instant, -1 for none; all of shape (m,)."""
        first, last = self._rows_of(key)
        low, high = first.copy(), last
        # A bisection of all series at once: as many turns as the longest of those asked for needs.
        for _ in range(int((last - first).max(initial=0)).bit_length()):
            open_ = np.flatnonzero(low < high)
            middle = (low[open_] + high[open_]) // 2
            begun = self._from[middle] <= at_us[open_]
            low[open_[begun]] = middle[begun] + 1
            high[open_[~begun]] = middle[~begun]
        found = np.full(len(key), -1, dtype=np.int64)
        begun_rows = np.flatnonzero(low > first)
        newest = low[begun_rows] - 1
        holds = at_us[begun_rows] < self._to[newest]
        found[begun_rows[holds]] = self._numbers[newest[holds]]
        return found


def microseconds(instant: datetime) -> int:
    """Return a UTC instant as whole microseconds since 1970, exactly."""
    whole = int(instant.replace(microsecond=0).timestamp())
    return whole * 1_000_000 + instant.microsecond


def span_us(valid_from: datetime | None, valid_to: datetime | None = None) -> tuple[int, int]:
    """Return an interval as microseconds, end excluded; None is open."""
    return (
        SINCE_EVER if valid_from is None else microseconds(valid_from),
        FOREVER if valid_to is None else microseconds(valid_to),
    )
