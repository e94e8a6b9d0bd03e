"""Archive: closed months of the raw log moved to Parquet files, and back.

Order is everything. Files are written under another name, made durable, read again and compared with the table row by
row; then they get their name, and the manifest tells of them; then one transaction takes the rows out of the table
and records the files. Killed before it, the store is whole and a rerun takes up what was written; after it, the
archive is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa

from loamline.edges.store.archived import BUCKETS, COLUMNS, ArchivedFile, rows_of, sha256, summed
from loamline.edges.store.connection import Store
from loamline.edges.store.manifest import forget, remember
from loamline.edges.store.registry import insert
from loamline_schemas.tables import ARCHIVED

#: Months that ended longer ago are archived where nothing else is said: by then backfill and late imports are rare.
USUAL_AGE = timedelta(days=35)
#: Rows that Parquet keeps statistics of together: of few enough probes, and not too many to read for one.
_ROW_GROUP = 50_000

_HEARD = "heard_at >= ? AND heard_at < ?"
_DELETE = f"DELETE FROM uplink WHERE {_HEARD}"  # noqa: S608 - our own names

#: Told of progress: which part of the work, how much of it is done, of how much.
Told = Callable[[str, int, int], None]


class ArchiveError(Exception):
    """Archiving or restoring can't go on; the message says what was expected, what came and what to do next."""


@dataclass(frozen=True)
class Moved:
    """One month that was moved, either way."""

    month: str
    files: int
    rows: int
    size_bytes: int


def quiet(_part: str, _done: int, _total: int) -> None:
    """Tell nobody of progress."""


def bounds(month: str) -> tuple[datetime, datetime]:
    """Return the first instant of a month, YYYY-MM, and of the one after it. Raises ArchiveError for another form."""
    try:
        start = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        raise ArchiveError(f"expected a month as YYYY-MM, got {month!r}") from None
    if month == "9999-12":
        return start, datetime.max.replace(tzinfo=UTC)
    return start, (start + timedelta(days=31)).replace(day=1)


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


def archive(
    store: Store, folder: Path, now: datetime, before: str | None = None, told: Told = quiet
) -> Iterator[Moved]:
    """Move closed months to files in `folder`, one after the other; yield each that was moved.

    `folder` is made where it is not there. Raises ArchiveError, OSError and duckdb.Error, and then the month at which
    it stopped stands in the table as it did.
    """
    months = closed_months(store, now, before)
    folder.mkdir(parents=True, exist_ok=True)
    for index, month in enumerate(months):
        files: list[ArchivedFile] = []
        for bucket in range(BUCKETS):
            told("archiving", index * BUCKETS + bucket, len(months) * BUCKETS)
            files += _write(store, folder, month, bucket, now)
        told("manifest", index, len(months))
        remember(folder, files)
        told("deleting", index, len(months))
        with store.transaction():
            ((gone,),) = store.con.execute(_DELETE, [*bounds(month)]).fetchall()
            rows = sum(file.rows for file in files)
            if gone != rows:
                raise ArchiveError(f"expected {rows} rows of {month} in {store.path}, found {gone}: try again")
            records = [{name: getattr(file, name) for name in ARCHIVED.names} for file in files]
            insert(store, ARCHIVED, pa.Table.from_pylist(records, schema=ARCHIVED.schema))
        store.look_at_archive()
        told("deleted", index + 1, len(months))
        yield Moved(month, len(files), gone, sum(file.size_bytes for file in files))
    if months:
        store.con.execute("CHECKPOINT")


def restore(store: Store, month: str | None = None, *, delete: bool = False, told: Told = quiet) -> Iterator[Moved]:
    """Put archived months back into the table, or one; yield each. `delete`: its files go, else they stay.

    Raises ArchiveError, OSError and duckdb.Error, and then the month at which it stopped stands in its files as it did.
    """
    if month is not None:
        bounds(month)
    months = sorted({file.month for file in store.archived})
    if month is not None and month not in months:
        raise ArchiveError(f"expected an archived month ({', '.join(months) or 'there is none'}), got {month}")
    wanted = months if month is None else [month]
    for index, each in enumerate(wanted):
        told("restoring", index, len(wanted))
        files = [file for file in store.archived if file.month == each]
        for file in files:
            if fault := fault_of(store, file):
                raise ArchiveError(f"{fault}; nothing of {each} was restored: put the file back from a copy")
        with store.transaction():
            for file in files:
                _take_back(store, file)
            store.con.execute("DELETE FROM archived WHERE month = ?", [each])
        store.look_at_archive()
        forget(files)
        if delete:
            _delete(files)
        yield Moved(each, len(files), sum(file.rows for file in files), sum(file.size_bytes for file in files))
    told("restoring", len(wanted), len(wanted))


def fault_of(store: Store, file: ArchivedFile) -> str | None:
    """Return what is wrong with an archived file, in a sentence without an end; None where it holds what was put in."""
    expected = f"expected the archived file {file.file} to have SHA-256 {file.sha256}"
    try:
        found = sha256(file.file)
    except OSError as problem:
        return f"{expected}, could not read it: {problem.strerror}"
    if found != file.sha256:
        return f"{expected}, found {found}"
    rows, *_, content = summed(store.con, rows_of([file.file]))
    if (rows, content) != (file.rows, file.content):
        return f"expected {file.rows} rows with digest {file.content} in {file.file}, read {rows} with {content}"
    return None


def faults(store: Store, told: Told = quiet) -> list[str]:
    """Read every archived file; return what is wrong, a sentence a file."""
    found = []
    for index, file in enumerate(store.archived):
        told("checking", index, len(store.archived))
        fault = fault_of(store, file)
        found += [] if fault is None else [fault]
    return found


def _write(store: Store, folder: Path, month: str, bucket: int, now: datetime) -> Sequence[ArchivedFile]:
    """Write one bucket of a month, and see that it says what the table says; none where the table has no row of it."""
    params = [*bounds(month), BUCKETS, bucket]
    chosen = f"(SELECT {COLUMNS} FROM uplink WHERE {_HEARD} AND probe_id % ? = ?)"  # noqa: S608 - our own names
    held = summed(store.con, chosen, params)
    rows, first_seq, last_seq, first_heard_at, last_heard_at, content = held
    if not rows:
        return []
    place = folder / f"month={month}" / f"bucket={bucket:02d}"
    place.mkdir(parents=True, exist_ok=True)
    file = place / f"uplinks-{first_seq}-{last_seq}.parquet"
    # What a run that was killed has left under its name was compared then, and is now.
    fresh = file if file.exists() else file.with_name(file.name + ".writing")
    if fresh != file:
        target = str(fresh).replace("'", "''")
        store.con.execute(
            f"COPY (SELECT * FROM {chosen} ORDER BY probe_id, heard_at, seq) TO '{target}' "  # noqa: S608
            f"(FORMAT parquet, COMPRESSION zstd, ROW_GROUP_SIZE {_ROW_GROUP})",
            params,
        )
        _make_durable(fresh)
    _compare(store, fresh, chosen, params, held)
    fresh.replace(file)
    for parent in (place, place.parent, folder, folder.parent):
        _make_durable(parent)
    return [
        ArchivedFile(
            month=month,
            bucket=bucket,
            path=_recorded_path(store, file),
            size_bytes=file.stat().st_size,
            rows=rows,
            first_seq=first_seq,
            last_seq=last_seq,
            first_heard_at=first_heard_at,
            last_heard_at=last_heard_at,
            sha256=sha256(file),
            content=content,
            archived_at=now,
            file=file,
        )
    ]


def _compare(store: Store, file: Path, chosen: str, params: list[object], held: tuple[object, ...]) -> None:
    """Read a file again and compare it with the table. Raises ArchiveError where a row differs."""
    written = rows_of([file])
    apart = store.scalar(
        "SELECT count(*) FROM "  # noqa: S608 - our own names
        f"((SELECT * FROM {chosen} EXCEPT SELECT * FROM {written}) "
        f"UNION ALL (SELECT * FROM {written} EXCEPT SELECT * FROM {chosen}))",
        [*params, *params],
    )
    # Rows that are there twice, and zeros of another sign, the digest tells.
    if apart or summed(store.con, written) != held:
        raise ArchiveError(
            f"expected {file} to hold what the store holds, found {apart} rows apart; nothing was deleted. "
            "If it is another store's archive, name another folder; else remove the file and try again"
        )


def _take_back(store: Store, file: ArchivedFile) -> None:
    """Insert a file's rows, in the caller's transaction. Raises ArchiveError where they are not what stands then."""
    store.con.execute(f"INSERT INTO uplink SELECT * FROM {rows_of([file.file])} ORDER BY seq")  # noqa: S608
    stands = f"(SELECT uplink.* FROM uplink SEMI JOIN {rows_of([file.file])} USING (seq))"  # noqa: S608
    rows, *_, content = summed(store.con, stands)
    if (rows, content) != (file.rows, file.content):
        raise ArchiveError(
            f"expected {file.rows} rows of {file.file} in {store.path}, found {rows}; nothing of {file.month} "
            "was restored: tell the developers"
        )


def _delete(files: Sequence[ArchivedFile]) -> None:
    for file in files:
        file.file.unlink(missing_ok=True)
        for folder in list(file.file.parents)[:2]:
            with suppress(OSError):  # another file is in it
                folder.rmdir()


def _recorded_path(store: Store, file: Path) -> str:
    home, told = store.path.absolute().parent.resolve(), file.resolve()
    return str(told.relative_to(home) if told.is_relative_to(home) else told)


def _make_durable(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
