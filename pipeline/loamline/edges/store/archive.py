"""Archive: closed months of the raw log moved to Parquet files, and back.

Order is everything. Files are written under another name, made durable, read again and compared with the table row by
row; then they get their name, and the manifest tells of them; then, a file at a time, one transaction takes its rows
out of the table and records it. At any moment a row stands in the table or in a recorded file. Killed on the way, a
rerun takes up what was written.

All of it is generators of short steps: files are written and read by a thread of its own (`aside`), so that whoever
has the store open may commit between two steps. What is heard of a closed month meanwhile stays in the table.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TypeVar

import pyarrow as pa

from loamline.edges.stepping import result_of
from loamline.edges.store.archive_files import (
    FILE_ROWS,
    OF_MONTH,
    ArchiveError,
    Written,
    bounds,
    fault_of,
    parts,
    write,
)
from loamline.edges.store.archived import BUCKETS, ArchivedFile, rows_of, summed
from loamline.edges.store.aside import aside
from loamline.edges.store.connection import Store
from loamline.edges.store.manifest import forget, remember
from loamline.edges.store.registry import insert
from loamline_schemas.tables import ARCHIVED, UPLINK

__all__ = ["ArchiveError", "Moved", "archive", "archiving", "bounds", "checking", "closed_months", "faults", "restore"]
__all__ += ["restoring"]

#: Months that ended longer ago are archived where nothing else is said: by then backfill and late imports are rare.
USUAL_AGE = timedelta(days=35)
_DELETE = f"DELETE FROM uplink WHERE {OF_MONTH} AND seq <= ? AND probe_id IN (SELECT probe_id FROM _filed)"  # noqa: S608

#: Told of progress: which part of the work, how much of it is done, of how much.
Told = Callable[[str, int, int], None]
Step = tuple[str, int, int]
_Done = TypeVar("_Done")


@dataclass(frozen=True)
class Moved:
    """One month that was moved, either way."""

    month: str
    files: int
    rows: int
    size_bytes: int


def quiet(_part: str, _done: int, _total: int) -> None:
    """Tell nobody of progress."""


def closed_months(store: Store, now: datetime, before: str | None = None) -> list[str]:
    """Return the months of which the table holds rows and that may go, ascending: before a month, or long past.

    Raises ArchiveError where `before` is no month, or one that has not begun.
    """
    last = now - USUAL_AGE
    if before is not None:
        last = bounds(before)[0]
        if last > now:
            raise ArchiveError(f"expected --before to name a month that has begun, got {before}: it is {now:%Y-%m}")
    found = store.con.execute(
        "SELECT DISTINCT year(heard), month(heard) "
        "FROM (SELECT make_timestamp(epoch_us(heard_at)) AS heard FROM uplink) ORDER BY ALL"
    ).fetchall()
    months = [f"{year:04d}-{month:02d}" for year, month in found]
    return [month for month in months if bounds(month)[1] <= last]


def archiving(
    store: Store, folder: Path, now: datetime, before: str | None = None, most: int = FILE_ROWS
) -> Generator[Step, None, list[Moved]]:
    """Move closed months to files in `folder`, one after the other; return what was moved.

    `folder` is made where it is not there; `most` is how many rows a file has. Raises ArchiveError, OSError and
    duckdb.Error, and then what was not moved stands in the table as it did.
    """
    months = closed_months(store, now, before)
    folder.mkdir(parents=True, exist_ok=True)
    moved = []
    for index, month in enumerate(months):
        written, until_seq = yield from _write_month(store, folder, month, now, (index, len(months)), most)
        yield "manifest", index, len(months)
        remember(folder, [each.file for each in written])
        for each in written:
            yield "deleting", index, len(months)
            _let_go(store, each, until_seq)
        files = [each.file for each in written]
        moved.append(Moved(month, len(files), sum(file.rows for file in files), sum(file.size_bytes for file in files)))
        yield "deleted", index + 1, len(months)
    return moved


def restoring(store: Store, month: str | None = None, *, delete: bool = False) -> Generator[Step, None, list[Moved]]:
    """Put archived months back into the table, or one; return them. `delete`: files go, else they stay.

    Raises ArchiveError, OSError and duckdb.Error, and then what was not restored stands in its files as it did.
    """
    if month is not None:
        bounds(month)
    months = sorted({file.month for file in store.archived})
    if month is not None and month not in months:
        raise ArchiveError(f"expected an archived month ({', '.join(months) or 'there is none'}), got {month}")
    wanted = months if month is None else [month]
    moved = []
    for index, each in enumerate(wanted):
        step = ("restoring", index, len(wanted))
        yield step
        files = [file for file in store.archived if file.month == each]
        for file in files:
            if fault := (yield from _aside(store, step, partial(fault_of, file=file))):
                raise ArchiveError(f"{fault}; nothing of {each} was restored: put the file back from a copy")
        for file in files:
            rows = yield from _aside(store, step, partial(_read, file=file))
            _take_back(store, file, rows)
        forget(files)
        if delete:
            _delete(files)
        moved.append(Moved(each, len(files), sum(file.rows for file in files), sum(file.size_bytes for file in files)))
    yield "restoring", len(wanted), len(wanted)
    return moved


def checking(store: Store) -> Generator[Step, None, list[str]]:
    """Read every archived file; return what is wrong, a sentence a file."""
    found = []
    files = store.archived
    for index, file in enumerate(files):
        step = ("checking", index, len(files))
        fault = yield from _aside(store, step, partial(fault_of, file=file))
        found += [] if fault is None else [fault]
    return found


def archive(
    store: Store, folder: Path, now: datetime, before: str | None = None, told: Told = quiet, most: int = FILE_ROWS
) -> list[Moved]:
    """Do what `archiving` does, with nobody else at the store; the file gives back the room by the way."""
    moved = result_of(archiving(store, folder, now, before, most), lambda step: told(*step))
    if moved:
        store.con.execute("CHECKPOINT")
    return moved


def restore(store: Store, month: str | None = None, *, delete: bool = False, told: Told = quiet) -> list[Moved]:
    """Do what `restoring` does, with nobody else at the store."""
    return result_of(restoring(store, month, delete=delete), lambda step: told(*step))


def faults(store: Store, told: Told = quiet) -> list[str]:
    """Do what `checking` does, with nobody else at the store."""
    return result_of(checking(store), lambda step: told(*step))


def _write_month(
    store: Store, folder: Path, month: str, now: datetime, which: tuple[int, int], most: int
) -> Generator[Step, None, tuple[list[Written], int]]:
    """Write a month's files; return them, and the last raw-log row that they know of."""
    index, months = which

    def look(seen: Store) -> Generator[Step | Written, None, int]:
        last_seq = int(seen.scalar("SELECT coalesce(max(seq), 0) FROM uplink"))
        for bucket, probes in parts(seen, month, most):
            yield "archiving", index * BUCKETS + bucket, months * BUCKETS
            yield write(seen, folder, month, bucket, probes, now)
        return last_seq

    written: list[Written] = []
    step: Step = ("archiving", index * BUCKETS, months * BUCKETS)
    work = aside(store, look)
    try:
        while True:
            item = next(work)
            if isinstance(item, Written):
                written.append(item)
            elif item is not None:
                step = item
            yield step
    except StopIteration as end:
        return written, end.value
    finally:
        work.close()


def _aside(store: Store, step: Step, ask: Callable[[Store], _Done]) -> Generator[Step, None, _Done]:
    """Return the answer to one question, asked by a thread of its own."""

    def look(seen: Store) -> Generator[None, None, _Done]:
        yield
        return ask(seen)

    work = aside(store, look)
    try:
        while True:
            next(work)
            yield step
    except StopIteration as end:
        done: _Done = end.value
        return done
    finally:
        work.close()


def _let_go(store: Store, written: Written, until_seq: int) -> None:
    """Take a file's rows out of the table, and record it. Raises ArchiveError where the table holds others by now."""
    file = written.file
    store.con.register("_filed", pa.table({"probe_id": pa.array(written.probes, pa.int32())}))
    with store.transaction():
        ((gone,),) = store.con.execute(_DELETE, [*bounds(file.month), until_seq]).fetchall()
        if gone != file.rows:
            raise ArchiveError(f"expected {file.rows} rows of {file.month} in {store.path}, found {gone}: try again")
        record = {name: getattr(file, name) for name in ARCHIVED.names}
        insert(store, ARCHIVED, pa.Table.from_pylist([record], schema=ARCHIVED.schema))
    store.con.unregister("_filed")
    store.look_at_archive()


def _read(store: Store, file: ArchivedFile) -> pa.Table:
    """Return a file's rows. Raises ArchiveError where they are not what was put in."""
    rows = store.con.sql(f"SELECT * FROM {rows_of([file.file])} ORDER BY seq").to_arrow_table()  # noqa: S608
    store.con.register("_read", rows)
    count, *_, content = summed(store.con, "_read")
    store.con.unregister("_read")
    if (count, content) != (file.rows, file.content):
        raise ArchiveError(
            f"expected {file.rows} rows with digest {file.content} in {file.file}, read {count} with {content}; "
            "nothing of it was restored: put the file back from a copy"
        )
    return rows.cast(UPLINK.schema)


def _take_back(store: Store, file: ArchivedFile, rows: pa.Table) -> None:
    """Put a file's rows into the table, and record no file of them any more."""
    with store.transaction():
        insert(store, UPLINK, rows)
        store.con.execute(
            "DELETE FROM archived WHERE month = ? AND bucket = ? AND first_seq = ?",
            [file.month, file.bucket, file.first_seq],
        )
    store.look_at_archive()


def _delete(files: Sequence[ArchivedFile]) -> None:
    for file in files:
        file.file.unlink(missing_ok=True)
        for folder in list(file.file.parents)[:2]:
            with suppress(OSError):  # another file is in it
                folder.rmdir()
