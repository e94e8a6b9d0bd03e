"""The files of an archive: written, read again and compared with the table row by row, before they get their name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa

from loamline.edges.durable import make_durable
from loamline.edges.store.archived import BUCKETS, COLUMNS, ArchivedFile, rows_of, sha256, summed
from loamline.edges.store.connection import Store
from loamline.edges.store.stale import chunks

#: Rows of a file, unless a single probe has more: so few that a live commit can wait until they are taken out of the
#: table, or put back.
FILE_ROWS = 100_000
#: Rows that Parquet keeps statistics of together: of few enough probes, and not too many to read for one.
_ROW_GROUP = 50_000
OF_MONTH = "heard_at >= ? AND heard_at < ?"
_CHOSEN = f"(SELECT {COLUMNS} FROM uplink WHERE {OF_MONTH} AND probe_id IN (SELECT probe_id FROM _filed))"  # noqa: S608


class ArchiveError(Exception):
    """Archiving or restoring can't go on; the message says what was expected, what came and what to do next."""


@dataclass(frozen=True)
class Written:
    """A file that holds what the table holds of some probes and a month."""

    file: ArchivedFile
    probes: list[int]


def bounds(month: str) -> tuple[datetime, datetime]:
    """Return the first instant of a month, YYYY-MM, and of the one after it. Raises ArchiveError for another form."""
    try:
        start = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        raise ArchiveError(f"expected a month as YYYY-MM, got {month!r}") from None
    if month == "9999-12":
        return start, datetime.max.replace(tzinfo=UTC)
    return start, (start + timedelta(days=31)).replace(day=1)


def parts(store: Store, month: str, most: int = FILE_ROWS) -> Iterator[tuple[int, list[int]]]:
    """Yield bucket and probes of each file that a month of the table makes, of at most `most` rows."""
    counts = store.con.execute(
        f"SELECT probe_id, count(*) FROM uplink WHERE {OF_MONTH} GROUP BY probe_id ORDER BY probe_id",  # noqa: S608
        [*bounds(month)],
    ).fetchall()
    for bucket in range(BUCKETS):
        for probes in chunks([(probe, count) for probe, count in counts if probe % BUCKETS == bucket], most):
            yield bucket, probes


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


def write(store: Store, folder: Path, month: str, bucket: int, probes: list[int], now: datetime) -> Written:
    """Write what the table holds of a month and some probes of a bucket, and see that the file says the same.

    Raises ArchiveError, OSError and duckdb.Error.
    """
    store.con.register("_filed", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    params: list[object] = [*bounds(month)]
    held = summed(store.con, _CHOSEN, params)
    rows, first_seq, last_seq, first_heard_at, last_heard_at, content = held
    place = folder / f"month={month}" / f"bucket={bucket:02d}"
    place.mkdir(parents=True, exist_ok=True)
    file = place / f"uplinks-{first_seq}-{last_seq}.parquet"
    # What a run that was killed has left under its name was compared then, and is now.
    fresh = file if file.exists() else file.with_name(file.name + ".writing")
    if fresh != file:
        target = str(fresh).replace("'", "''")
        store.con.execute(
            f"COPY (SELECT * FROM {_CHOSEN} ORDER BY probe_id, heard_at, seq) TO '{target}' "  # noqa: S608
            f"(FORMAT parquet, COMPRESSION zstd, ROW_GROUP_SIZE {_ROW_GROUP})",
            params,
        )
        make_durable(fresh)
    _compare(store, fresh, params, held)
    fresh.replace(file)
    for parent in (place, place.parent, folder, folder.parent):
        make_durable(parent)
    store.con.unregister("_filed")
    return Written(
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
        ),
        probes,
    )


def _compare(store: Store, file: Path, params: list[object], held: tuple[object, ...]) -> None:
    """Read a file again and compare it with the table. Raises ArchiveError where a row differs."""
    written = rows_of([file])
    apart = store.scalar(
        "SELECT count(*) FROM "  # noqa: S608 - our own names
        f"((SELECT * FROM {_CHOSEN} EXCEPT SELECT * FROM {written}) "
        f"UNION ALL (SELECT * FROM {written} EXCEPT SELECT * FROM {_CHOSEN}))",
        [*params, *params],
    )
    # Rows that are there twice, and zeros of another sign, the digest tells.
    if apart or summed(store.con, written) != held:
        raise ArchiveError(
            f"expected {file} to hold what the store holds, found {apart} rows apart; nothing was deleted. "
            "If it is another store's archive, name another folder; else remove the file and try again"
        )


def _recorded_path(store: Store, file: Path) -> str:
    home, told = store.path.absolute().parent.resolve(), file.resolve()
    return str(told.relative_to(home) if told.is_relative_to(home) else told)
