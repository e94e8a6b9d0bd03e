"""Replay equals live (promise 4): everything stored is compared with a derivation of the whole raw log.

Each uplink is derived under the registry state that it names. Derivation is a probe's own affair, so that probes go
through in blocks and memory grows neither with the fleet nor, but for one probe's own log, with history. What is
compared is content: a reading's provenance is the row that its number stands for, and a double is its 64 bits. Not
compared are envelopes, which no derivation gives.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import Ints, whole
from loamline.core.derive import Derived, derive
from loamline.core.provenance import Registry
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import with_content
from loamline.edges.store.registry import latest_reference, probe_ids, registry
from loamline.edges.store.revisions import CURRENT
from loamline.edges.store.rows_apart import Apart, in_order, rows_apart
from loamline_codecs import CodecSet
from loamline_schemas.columns import Table
from loamline_schemas.tables import PROVENANCE, READING, SET_ASIDE, STATUS

#: Deliveries that are derived in one go, unless a single probe has more.
BLOCK = 200_000

#: Readings as they are seen, a revision that is not merged yet included, with the content of their provenance in the
#: place of its number. Rules of the chain that are not numbered are the first.
_HELD = f"""(
    SELECT r.* EXCLUDE (provenance_id), p.* EXCLUDE (provenance_id)
    FROM {CURRENT} r LEFT JOIN (SELECT * REPLACE (coalesce(rules, 1) AS rules) FROM provenance) p USING (provenance_id)
)"""  # noqa: S608 - our own names
_BY_NUMBER = tuple(name for name in READING.names if name != "provenance_id")
_MADE_BY = tuple(name for name in PROVENANCE.names if name != "provenance_id")
_ASIDE = tuple(name for name in SET_ASIDE.names if name != "envelope")
_WIDEST = np.iinfo(np.int32)


@dataclass(frozen=True)
class Difference:
    """One cell that is stored otherwise than derived, or one row that only one side has.

    `at` is measured_at of a reading, heard_at of a status or of what is set aside. `column` is None for a whole row,
    which the side that has it tells; the other is None.
    """

    table: str
    dev_eui: str | None
    probe_id: int
    depth_index: int | None
    at: datetime
    column: str | None
    stored: Any
    derived: Any


@dataclass
class Compared:
    """What was compared, rows as stored; `differences` counts cells and rows, of which `first` tells some."""

    probes: int = 0
    deliveries: int = 0
    readings: int = 0
    statuses: int = 0
    set_aside: int = 0
    differences: int = 0
    first: list[Difference] = field(default_factory=list)


def verify(
    store: Store,
    codecs: CodecSet,
    first: int = 20,
    block: int = BLOCK,
    progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> Compared:
    """Compare everything stored with a derivation of the raw log, `block` deliveries or one probe at a time.

    `first`: so many differences are told in full: of each block by table, probe, depth and instant. `progress` is
    called with the deliveries that are done and those that there are.
    """
    numbers = probe_ids(store)
    names = {number: dev_eui for dev_eui, number in numbers.items()}
    known = registry(store, numbers)
    _ = known.states[latest_reference(store)]  # compiling it fills the catalogue, which is never empty then
    told = Compared(probes=len(numbers))
    counts = f"SELECT probe_id, count(*) FROM {store.raw_log()} GROUP BY ALL ORDER BY probe_id"  # noqa: S608
    per_probe = store.con.execute(counts).fetchall()
    total = sum(count for _, count in per_probe)
    for span in _blocks(per_probe, block):
        progress(told.deliveries, total)
        _compare(store, codecs, known, span, names, told, first)
    progress(total, total)
    return told


def _blocks(per_probe: list[tuple[int, int]], block: int) -> Iterator[tuple[int, int]]:
    """Yield ranges of probe ids that together hold every number there is, so that rows of no known probe are seen."""
    low, size = int(_WIDEST.min), 0
    for probe_id, count in per_probe:
        if size and size + count > block:
            yield low, probe_id - 1
            low, size = probe_id, 0
        size += count
    yield low, int(_WIDEST.max)


def _compare(
    store: Store,
    codecs: CodecSet,
    known: Registry,
    span: tuple[int, int],
    names: dict[int, str],
    told: Compared,
    first: int,
) -> None:
    deliveries = _rows(store, store.raw_log(), span)
    derived = derive(deliveries, codecs, known)
    told.deliveries += deliveries.num_rows
    told.readings += _count(store, READING, span)
    told.statuses += _count(store, STATUS, span)
    told.set_aside += _count(store, SET_ASIDE, span)
    of_probe = (
        (READING, ("probe_id", "depth_index", "measured_at"), _HELD, with_content(derived)),
        (STATUS, ("probe_id", "heard_at", "fcnt"), "status", derived.statuses),
        (SET_ASIDE, ("seq",), "(SELECT * EXCLUDE (envelope) FROM set_aside)", _set_aside(derived, deliveries)),
    )
    for table, key, source, told_again in of_probe:
        rows = _rows(store, source, span)
        stored, fresh = in_order(rows, key), in_order(told_again.select(rows.column_names), key)
        apart = rows_apart(stored, fresh, key)
        told.differences += apart.count
        told.first += _differences(table, stored, fresh, apart, names, first - len(told.first))


def _rows(store: Store, source: str, span: tuple[int, int]) -> pa.Table:
    query = f"SELECT * FROM {source} WHERE probe_id BETWEEN ? AND ?"  # noqa: S608 - our own names
    return store.con.sql(query, params=[*span]).to_arrow_table()


def _count(store: Store, table: Table, span: tuple[int, int]) -> int:
    query = f'SELECT count(*) FROM "{table.name}" WHERE probe_id BETWEEN ? AND ?'  # noqa: S608 - our own names
    return int(store.scalar(query, [*span]))


def _set_aside(derived: Derived, deliveries: pa.Table) -> pa.Table:
    uplink_of = derived.uplinks.uplink_of
    rows = np.flatnonzero(np.isin(uplink_of, np.array(sorted(derived.refusals), dtype=np.int64)))
    refusals = [derived.refusals[number] for number in uplink_of[rows].tolist()]
    taken = deliveries.take(pa.array(rows))
    told = {name: [getattr(refusal, name) for refusal in refusals] for name in ("codec", "reason", "detail")}
    columns = [
        pa.array(told[name], pa.string())
        if name in told
        else whole(taken, name).cast(SET_ASIDE.schema.field(name).type)
        for name in _ASIDE
    ]
    return pa.Table.from_arrays(columns, names=list(_ASIDE))


def _differences(
    table: Table, stored: pa.Table, fresh: pa.Table, apart: Apart, names: dict[int, str], most: int
) -> list[Difference]:
    """Return the first differences of a block, in order of probe, depth, instant and column."""
    at = "measured_at" if table is READING else "heard_at"

    def told(row: dict[str, Any], column: str | None, sides: tuple[Any, Any]) -> Difference:
        number = row["probe_id"]
        depth = row.get("depth_index")
        return Difference(table.name, names.get(number), number, depth, row[at], column, *sides)

    # Both sides are in order of their keys, so that the first of each kind hold the first of all.
    found = [told(row, None, (row, None)) for row in _take(stored, apart.only_ours[:most])]
    found += [told(row, None, (None, row)) for row in _take(fresh, apart.only_theirs[:most])]
    ours, theirs = apart.pairs
    for name, differs in apart.columns.items():
        pairs = zip(_take(stored, ours[differs][:most]), _take(fresh, theirs[differs][:most]), strict=True)
        found += [told(row, name, (row[name], other[name])) for row, other in pairs]
    order = list(stored.column_names)
    found.sort(
        key=lambda told: (
            told.probe_id,
            -1 if told.depth_index is None else told.depth_index,
            told.at,
            -1 if told.column is None else order.index(told.column),
        ),
    )
    return found[:most]


def _take(table: pa.Table, rows: Ints) -> list[dict[str, Any]]:
    taken: list[dict[str, Any]] = table.take(pa.array(rows, pa.int64())).to_pylist()
    return taken
