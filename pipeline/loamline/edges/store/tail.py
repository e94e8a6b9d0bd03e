"""The newest days of a store in memory, so that a commit of the day's uplinks asks the database for nothing.

Kept up to date by the one writer, commit by commit. Whatever it does not reach back to, or what was changed by
somebody else, is asked of the store: the answer is the same, and takes longer with a large fleet.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, Ints, first_and_last, instant, instants, ints, whole
from loamline.core.identity import MERGE_COLUMNS
from loamline.edges.store.connection import Store
from loamline.edges.store.row_digests import row_digests
from loamline.edges.store.rows_by_probe import RowsByProbe
from loamline.edges.store.windows import EARLIEST_US, Windows
from loamline_schemas.columns import Table
from loamline_schemas.tables import READING, STATUS, UPLINK

#: What is derived from: the columns of UPLINK that the chain reads.
LOG_COLUMNS = ("seq", *MERGE_COLUMNS, "reference_id")
LOG = pa.schema([UPLINK.schema.field(name) for name in LOG_COLUMNS])

#: The instant of a derived row, and the columns that tell it from others.
AT = {READING.name: "measured_at", STATUS.name: "heard_at"}
KEYS = {READING.name: ("probe_id", "depth_index", "measured_at"), STATUS.name: ("probe_id", "heard_at", "fcnt")}
#: What else is asked of one.
_MORE = {READING.name: ("provenance_id",), STATUS.name: ()}

_BATCH_ROWS = 1 << 16


def outline(table: Table, rows: pa.Table) -> pa.Table:
    """Return of derived rows what tells them apart: key, a digest of the whole row (`content`), and what made it."""
    columns = {name: rows.column(name) for name in (*KEYS[table.name], *_MORE[table.name])}
    return pa.table({**columns, "content": pa.array(row_digests(rows))})


class Tail:
    """Everything that was heard, and all that was measured or told, at or after `since_us`.

    `most_bytes` bounds its memory: a fleet that needs more has none (`fits` is false).
    """

    def __init__(self, store: Store, since_us: int, most_bytes: int) -> None:
        self.since_us, self._most_bytes = since_us, most_bytes
        self._log = RowsByProbe(LOG, "heard_at")
        outlines = {table.name: outline(table, table.schema.empty_table()).schema for table in (READING, STATUS)}
        self._derived = {name: RowsByProbe(schema, AT[name]) for name, schema in outlines.items()}
        self._load(store)
        #: How many changes by others the store had seen when this was read.
        self.changes = store.changes

    def _load(self, store: Store) -> None:
        since = instant(max(self.since_us, EARLIEST_US))
        columns = ", ".join(LOG_COLUMNS)
        log = store.con.sql(
            f"SELECT {columns} FROM {store.raw_log(since)} WHERE heard_at >= ?",  # noqa: S608 - our own names
            params=[since],
        )
        self._take_in(self._log, log, LOG, None)
        for table in (READING, STATUS):
            rows = store.con.sql(f'SELECT * FROM "{table.name}" WHERE {AT[table.name]} >= ?', params=[since])  # noqa: S608
            self._take_in(self._derived[table.name], rows, table.schema, table)

    def _take_in(self, into: RowsByProbe, found: object, schema: pa.Schema, table: Table | None) -> None:
        reader = found.to_arrow_reader(_BATCH_ROWS)  # type: ignore[attr-defined]
        for batch in reader:  # read to its end, or the connection answers nothing else
            if self.fits:
                rows = pa.Table.from_batches([batch]).cast(schema)
                into.append(rows if table is None else outline(table, rows))

    @property
    def size_bytes(self) -> int:
        """How much memory it takes, about."""
        return self._log.size_bytes + sum(rows.size_bytes for rows in self._derived.values())

    @property
    def fits(self) -> bool:
        """Whether it is within its bound; one that is not is incomplete, and no use."""
        return self.size_bytes <= self._most_bytes

    def reaches(self, at_us: Ints) -> Bools:
        """Return for which instants everything from them on is here, shape (n,)."""
        return np.asarray(at_us >= self.since_us)

    def deliveries(self, windows: Windows) -> pa.Table:
        """Return the deliveries that decide windows which begin within reach; columns as LOG."""
        return self._log.within(windows.probe_id, windows.context_from, windows.heard_to)

    def dirty(self, table: Table, windows: Windows) -> pa.Table:
        """Return the outlines of what is stored in the dirty spans of windows which begin within reach."""
        return self._derived[table.name].within(windows.probe_id, windows.dirty_from, windows.dirty_to)

    def followed(self, windows: Windows) -> Bools:
        """Return behind which windows readings stand, shape (p,); all of them end within reach."""
        return self._derived[READING.name].after(windows.probe_id, windows.dirty_to)

    def unseen(self, told: pa.Table) -> Bools:
        """Return which of n deliveries within reach are not in the raw log, and no earlier one of them is it; (n,)."""
        probe_id, at_us = ints(whole(told, "probe_id")), instants(whole(told, "heard_at"))
        seen = set(_identities(self._log.within(*first_and_last(probe_id, at_us, at_us))))
        fresh = np.zeros(told.num_rows, dtype=bool)
        for row, identity in enumerate(_identities(told)):
            fresh[row] = identity not in seen
            seen.add(identity)
        return fresh

    def stored(self, rows: pa.Table) -> None:
        """Take up new rows of the raw log."""
        self._log.append(rows.select(list(LOG_COLUMNS)))

    def swapped(self, table: Table, gone: pa.Table, added: pa.Table) -> None:
        """Take up outlines of derived rows that went, and of those that came."""
        derived = self._derived[table.name]
        if gone.num_rows:
            derived.remove(gone.select(list(KEYS[table.name])))
        derived.append(added)

    def forget_before(self, since_us: int) -> None:
        """Reach back to here only."""
        self.since_us = since_us
        for rows in (self._log, *self._derived.values()):
            rows.forget_before(since_us)


def of_both(
    windows: Windows,
    begin_us: Ints,
    tail: Tail | None,
    of_tail: Callable[[Tail, Windows], pa.Table],
    of_store: Callable[[Windows], pa.Table],
) -> pa.Table:
    """Return what the tail tells of windows whose `begin_us` it reaches, and the store of the others."""
    within = tail.reaches(begin_us) if tail else np.zeros(len(begin_us), dtype=bool)
    found = [] if within.all() else [of_store(windows.of(~within))]
    if tail and within.any():
        found.append(of_tail(tail, windows.of(within)))
    return pa.concat_tables(found)


def dirty_outlines(store: Store, table: Table, windows: Windows, tail: Tail | None) -> pa.Table:
    """Return the outlines of what is stored in the dirty spans of `windows`, in any order."""
    return of_both(
        windows,
        windows.dirty_from,
        tail,
        lambda tail, reached: tail.dirty(table, reached),
        lambda others: _dirty_outlines(store, table, others),
    )


def _dirty_outlines(store: Store, table: Table, windows: Windows) -> pa.Table:
    store.con.register("_window", windows.table())
    at = AT[table.name]
    rows = store.con.sql(
        f'SELECT t.* FROM "{table.name}" t JOIN _window USING (probe_id) '  # noqa: S608 - our own names
        f"WHERE t.{at} BETWEEN dirty_from AND dirty_to AND t.{at} BETWEEN "
        "(SELECT min(dirty_from) FROM _window) AND (SELECT max(dirty_to) FROM _window)"
    ).to_arrow_table()
    store.con.unregister("_window")
    return outline(table, rows.cast(table.schema))


def _identities(rows: pa.Table) -> list[tuple[int, int, int]]:
    columns = (ints(whole(rows, "probe_id")), instants(whole(rows, "heard_at")), whole(rows, "digest"))
    return list(zip(columns[0].tolist(), columns[1].tolist(), columns[2].to_pylist(), strict=True))
