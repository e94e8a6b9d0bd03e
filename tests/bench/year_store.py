"""A store of many probes' year, made in bounded memory: the raw log hour by hour, the readings probe by probe.

Readings go through the columnar chain as a replay derives them, and stand as one leaves them: in order of probe. The
raw log stands in order of time, as a daemon stores it. `YEAR.json` beside the store says what it holds; one that was
interrupted is gone on with.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa

from loamline.core.columns import HOUR_US, instant, ints, whole
from loamline.core.derive import Derived, derive
from loamline.core.provenance import Registry
from loamline.core.reference import RegistryState
from loamline.edges.ahead import Ahead
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.registry import insert, probe_ids, registry, save_state
from loamline_codecs import CodecSet, builtin_codecs
from loamline_schemas.tables import READING, SET_ASIDE, STATUS, UPLINK
from tests.bench.archive import Archive
from tests.bench.archive_registry import archive_registry

Item = TypeVar("Item")
#: Deliveries that are derived at once; rows that are written at once: two row groups of DuckDB's.
_DERIVED, _WRITTEN = 120_000, 2 * 122_880
#: Hours before a stretch that are derived with it, since checks look back and frost lasts; and those of them whose
#: readings are written again, since checks look ahead, too.
_CONTEXT_HOURS, _AGAIN_HOURS = 288, 48
#: Payload versions with one depth, so that there is about one reading an hour; the third brings older samples along.
_VERSIONS = (1, 1, 3, 1)
#: Beside a store: what it holds, and what it is to hold while it is being made.
_MADE, _MAKING = "YEAR.json", "MAKING.json"
#: Told how far it is: in a word, how many are done, and of how many.
Tell = Callable[[str, int, int], None]


def untold(_word: str, _done: int, _total: int) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Year:
    """What a store holds: probes, hours of each from `start_us` on, and whether it stands complete."""

    probes: int
    hours: int
    start_us: int

    @property
    def archive(self) -> Archive:
        """What the probes say, at any hour."""
        return Archive(self.probes, self.hours, start_us=self.start_us, versions=_VERSIONS)

    @classmethod
    def ending(cls, probes: int, hours: int, end: datetime) -> Year:
        """Return a year whose last hour ends at or before an instant."""
        end_us = int(end.timestamp()) * 1_000_000 // HOUR_US * HOUR_US
        return cls(probes, hours, end_us - hours * HOUR_US)

    def hours_until(self, end: datetime) -> int:
        """Return how many whole hours lie between the first hour and an instant."""
        return (int(end.timestamp()) * 1_000_000 - self.start_us) // HOUR_US


def store_in(folder: Path) -> Path:
    """Return where the store of a folder lies."""
    return folder / "year.duckdb"


def year_in(folder: Path) -> Year | None:
    """Return what a folder's store holds, None where there is none that was finished."""
    return _noted(folder / _MADE)


def year_registry(probes: int) -> RegistryState:
    """Return the archive's registry with one depth a probe, whose factory record tells counts in air and water."""
    state = archive_registry(probes)
    counts = {"air_count": 500, "water_count": 3500, "count_per_k": -0.8}
    return replace(
        state,
        probes=tuple(row if row.air_count else row.model_copy(update=counts) for row in state.probes),
        placements=tuple(row for row in state.placements if row.depth_index == 0),
    )


def make_year(folder: Path, year: Year, tell: Tell = untold) -> Year:
    """Make the store of `year` in a folder; where one was begun there and interrupted, go on with that one."""
    folder.mkdir(parents=True, exist_ok=True)
    begun = _noted(folder / _MAKING)
    year = begun or year
    with Store.open(store_in(folder), create=True) as store:
        _set_up(store)
        if begun is None:
            save_state(store, year_registry(year.probes), "bench")
            _note(folder / _MAKING, year)
        newest = store.scalar("SELECT max(heard_at) FROM uplink")
        _fill_log(store, year, range(0 if newest is None else year.hours_until(newest) + 1, year.hours), tell)
        done = store.scalar("SELECT greatest((SELECT max(probe_id) FROM reading), (SELECT max(probe_id) FROM status))")
        _fill_readings(store, year, range(year.hours), tell, int(done or 0))
        _checkpoint(store)
    (folder / _MAKING).rename(folder / _MADE)
    return year


def lengthen(folder: Path, hours: int, tell: Tell = untold) -> Year:
    """Go on with a folder's store until it holds so many hours; return what it holds then.

    What came through the daemon in an earlier run goes: it is of the hours that come next.
    """
    year = year_in(folder)
    if year is None:
        raise FileNotFoundError(f"expected a finished store in {folder}, found none; make it first")
    longer = replace(year, hours=max(hours, year.hours))
    with Store.open(store_in(folder)) as store:
        _set_up(store)
        since = {"since": instant(year.start_us + year.hours * HOUR_US)}
        came = store.scalar("SELECT count(*) FROM uplink WHERE heard_at >= ?", [since["since"]])
        if longer == year and not came:
            return year
        with store.transaction():
            store.con.execute("DELETE FROM uplink WHERE heard_at >= $since", since)
            for table in (STATUS, SET_ASIDE):
                store.con.execute(f"DELETE FROM {table.name} WHERE heard_at >= $since", since)  # noqa: S608 - our own
            again = {"since": since["since"] - timedelta(hours=_AGAIN_HOURS)}
            store.con.execute("DELETE FROM reading WHERE measured_at >= $since", again)
            added = range(year.hours, longer.hours)
            _fill_log(store, longer, added, tell)
            _fill_readings(store, longer, added, tell, 0)
        _checkpoint(store)
    _note(folder / _MADE, longer)
    return longer


def _noted(path: Path) -> Year | None:
    try:
        return Year(**json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None


def _note(path: Path, year: Year) -> None:
    path.write_text(json.dumps(asdict(year)) + "\n", encoding="utf-8")


def _set_up(store: Store) -> None:
    store.con.execute("SET threads = 2")
    store.con.execute("SET memory_limit = '3GB'")


def _checkpoint(store: Store) -> None:
    store.con.execute("CHECKPOINT")
    store.write_watermark(store.last_seq())


def _fill_log(store: Store, year: Year, hours: range, tell: Tell) -> None:
    at_once = max(1, _WRITTEN // year.probes)
    starts = range(hours.start, hours.stop, at_once)
    tiles = (year.archive.tile(range(start, min(start + at_once, hours.stop)), range(year.probes)) for start in starts)
    for start, tile in zip(starts, _ahead(tiles), strict=True):
        insert(store, UPLINK, tile)
        tell("hours of the raw log", min(start + at_once, hours.stop), hours.stop)


def _fill_readings(store: Store, year: Year, hours: range, tell: Tell, first_probe: int) -> None:
    """Derive and write the readings of some hours, from probe `first_probe` on; every write is of whole probes."""
    numbers = probe_ids(store)
    known, provenances = registry(store, numbers), Provenances(store)
    # Compiled here: the store is not to be asked by the thread that derives.
    known = replace(known, states={1: known.states[1]})
    context = max(0, hours.start - _CONTEXT_HOURS)
    at_once = max(1, _DERIVED // (hours.stop - context))
    starts = range(first_probe, year.probes, at_once)
    made = _derived(year, range(context, hours.stop), starts, builtin_codecs(), known)
    since_us = year.start_us + hours.start * HOUR_US if hours.start else 0
    waiting = _Waiting(store, within=hours.start > 0)
    for start, (deliveries, derived) in zip(starts, _ahead(made), strict=True):
        waiting.add(
            _from(provenances.numbered(derived), "measured_at", max(0, since_us - _AGAIN_HOURS * HOUR_US)),
            _from(derived.statuses, "heard_at", since_us),
            _from(_set_aside(deliveries, derived), "heard_at", since_us),
        )
        tell("probes derived", min(start + at_once, year.probes), year.probes)
    waiting.flush()


def _derived(
    year: Year, hours: range, starts: range, codecs: CodecSet, known: Registry
) -> Iterator[tuple[pa.Table, Derived]]:
    for first in starts:
        deliveries = year.archive.tile(hours, range(first, min(first + starts.step, year.probes)))
        yield deliveries, derive(deliveries, codecs, known)


def _set_aside(deliveries: pa.Table, derived: Derived) -> pa.Table:
    refused = np.flatnonzero(np.isin(derived.uplinks.uplink_of, np.array([*derived.refusals], dtype=np.int64)))
    rows = deliveries.select(["seq", "probe_id", "heard_at"]).take(pa.array(refused)).to_pylist()
    told = [
        {**row, "codec": why.codec, "reason": why.reason, "detail": why.detail, "envelope": None}
        for row, at in zip(rows, refused.tolist(), strict=True)
        for why in [derived.refusals[int(derived.uplinks.uplink_of[at])]]
    ]
    return pa.Table.from_pylist(told, schema=SET_ASIDE.schema)


def _from(rows: pa.Table, column: str, since_us: int) -> pa.Table:
    if not since_us:
        return rows
    return rows.filter(pa.array(ints(whole(rows, column).cast(pa.int64())) >= since_us))


class _Waiting:
    """Readings, statuses and uplinks set aside, written together when they are many; `within` a transaction or not."""

    def __init__(self, store: Store, *, within: bool) -> None:
        self._store = store
        self._transaction = nullcontext if within else store.transaction
        self._held: list[tuple[pa.Table, ...]] = []

    def add(self, *rows: pa.Table) -> None:
        """Take rows of READING, STATUS and SET_ASIDE."""
        self._held.append(rows)
        if sum(readings.num_rows for readings, *_ in self._held) >= _WRITTEN:
            self.flush()

    def flush(self) -> None:
        """Write what waits, all or nothing of it."""
        if not self._held:
            return
        tables = [pa.concat_tables(parts) for parts in zip(*self._held, strict=True)]
        self._held.clear()
        with self._transaction():
            for table, rows in zip((READING, STATUS, SET_ASIDE), tables, strict=True):
                insert(self._store, table, rows)


def _ahead(items: Iterator[Item]) -> Iterator[Item]:
    """Yield items, the next made by a thread of its own meanwhile."""
    ahead = Ahead(items)
    try:
        while not ahead.ended:
            yield from ahead.take(1.0)
    finally:
        ahead.close()
