"""Rows of one table in memory, found by probe and instant without a look at those of other probes.

They stand in a few chunks, each in order of probe and instant. What is appended is a chunk of its own until it is
merged with one of about its size, so that n rows are copied log n times and no append waits for a long one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, Ints, first_and_last, instants, ints, order_by, whole

#: A chunk of so many rows is merged with no other.
_FULL = 1 << 19


@dataclass
class _Chunk:
    """Rows in order of probe and instant; `there` tells which were not removed. Columns of shape (n,)."""

    rows: pa.Table
    probe_id: Ints
    at_us: Ints
    there: Bools
    size_bytes: int

    @classmethod
    def of(cls, rows: pa.Table, at: str) -> _Chunk:
        probe_id, at_us = ints(whole(rows, "probe_id")), instants(whole(rows, at))
        order = order_by(probe_id, at_us)
        rows = rows.take(pa.array(order)).combine_chunks()
        columns = probe_id[order], at_us[order], np.ones(len(order), dtype=bool)
        return cls(rows, *columns, rows.nbytes + sum(column.nbytes for column in columns))

    def within(self, probe_id: Ints, first_us: Ints, last_us: Ints) -> Ints:
        """Return the rows of each probe, all distinct and of shape (p,), between two instants of its own."""
        begin, end = (np.searchsorted(self.probe_id, probe_id, side) for side in ("left", "right"))
        which, row = spread(begin, end)
        at_us = self.at_us[row]
        return row[(at_us >= first_us[which]) & (at_us <= last_us[which]) & self.there[row]]


def spread(begin: Ints, end: Ints) -> tuple[Ints, Ints]:
    """Return the whole numbers of p half-open ranges, one behind the other, and which range each is of."""
    lengths = end - begin
    which = np.repeat(np.arange(len(lengths)), lengths)
    return which, np.arange(len(which)) + np.repeat(begin - (np.cumsum(lengths) - lengths), lengths)


class RowsByProbe:
    """Rows with a `probe_id` and the instant `at`; the other columns are anybody's."""

    def __init__(self, schema: pa.Schema, at: str) -> None:
        self._schema, self._at = schema, at
        self._chunks: list[_Chunk] = []

    @property
    def size_bytes(self) -> int:
        """How much memory the rows take, about."""
        return sum(chunk.size_bytes for chunk in self._chunks)

    def append(self, rows: pa.Table) -> None:
        """Add rows, in any order."""
        if not rows.num_rows:
            return
        chunk = _Chunk.of(rows, self._at)
        while self._chunks and len(chunk.there) < _FULL and len(self._chunks[-1].there) < 2 * len(chunk.there):
            before = self._chunks.pop()
            chunk = _Chunk.of(pa.concat_tables([_of(before, before.there), _of(chunk, chunk.there)]), self._at)
        self._chunks.append(chunk)

    def within(self, probe_id: Ints, first_us: Ints, last_us: Ints) -> pa.Table:
        """Return the rows of some probes, all distinct, each between two instants, ends included; shapes (p,)."""
        found = [(chunk, chunk.within(probe_id, first_us, last_us)) for chunk in self._chunks]
        tables = [chunk.rows.take(pa.array(rows)) for chunk, rows in found if len(rows)]
        return pa.concat_tables(tables) if tables else self._schema.empty_table()

    def after(self, probe_id: Ints, last_us: Ints) -> Bools:
        """Return which of some probes, all distinct, have a row later than an instant of their own; shapes (p,)."""
        never = np.full(len(probe_id), np.iinfo(np.int64).max)
        found = np.zeros(len(probe_id), dtype=bool)
        for chunk in self._chunks:
            later = chunk.probe_id[chunk.within(probe_id, last_us + 1, never)]
            found |= np.isin(probe_id, later)
        return found

    def remove(self, gone: pa.Table) -> None:
        """Remove every row that has the whole numbers of a row of `gone`, a probe and an instant among them."""
        names = gone.column_names
        keys = [ints(whole(gone, name)) for name in names]
        probe_id, at_us = ints(whole(gone, "probe_id")), instants(whole(gone, self._at))
        wanted = set(zip(*(key.tolist() for key in keys), strict=True))
        spans = first_and_last(probe_id, at_us, at_us)
        for chunk in self._chunks:
            rows = chunk.within(*spans)
            if len(rows):
                told = chunk.rows.select(names).take(pa.array(rows))
                here = zip(*(ints(whole(told, name)).tolist() for name in names), strict=True)
                chunk.there[rows[[key in wanted for key in here]]] = False

    def forget_before(self, since_us: int) -> None:
        """Let go of rows that are earlier, most of them: what few there are among later ones may stay."""
        kept = []
        for chunk in self._chunks:
            later = chunk.there & (chunk.at_us >= since_us)
            if later.any():
                # One row of a wrong clock, years ahead, must not keep all those that came with it.
                few = later.sum() * 4 < len(later)
                kept.append(_Chunk.of(_of(chunk, later), self._at) if few else chunk)
        self._chunks = kept


def _of(chunk: _Chunk, which: Bools) -> pa.Table:
    return chunk.rows if which.all() else chunk.rows.filter(pa.array(which))
