"""The raw log as one: the table `uplink`, and the Parquet files of months that were archived (`archive`).

Which files a question can concern is known from their records, so that one about the last weeks opens none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from loamline_schemas.tables import ARCHIVED, UPLINK

#: Buckets that a month is cut into, by probe id. Never to be changed: files are chosen by it.
BUCKETS = 16
#: The columns of the raw log, for SQL.
COLUMNS = ", ".join(UPLINK.names)
#: The digest of rows: a sum, so that their order does not count, over the text of each, so that no encoding does.
CONTENT = f"lower(lpad(hex(coalesce(sum(md5_number_lower(CAST(row({COLUMNS}) AS VARCHAR))), 0)::UHUGEINT), 32, '0'))"


@dataclass(frozen=True)
class ArchivedFile:
    """One row of ARCHIVED; `path` as recorded, `file` where that is."""

    month: str
    bucket: int
    path: str
    size_bytes: int
    rows: int
    first_seq: int
    last_seq: int
    first_heard_at: datetime
    last_heard_at: datetime
    sha256: str
    content: str
    archived_at: datetime
    file: Path


def recorded(con: duckdb.DuckDBPyConnection, folder: Path) -> tuple[ArchivedFile, ...]:
    """Return the archived files of the store in `folder`, by month, bucket and sequence."""
    rows = con.execute(f"SELECT {', '.join(ARCHIVED.names)} FROM archived ORDER BY month, bucket, first_seq").fetchall()  # noqa: S608
    told = [dict(zip(ARCHIVED.names, row, strict=True)) for row in rows]
    return tuple(ArchivedFile(**row, file=folder / row["path"]) for row in told)


def absent(files: Iterable[ArchivedFile]) -> str | None:
    """Return what is wrong with the first file that is not there or not as long as recorded; None where all are."""
    for told in files:
        try:
            size = told.file.stat().st_size
        except OSError:
            return f"expected the archived file {told.file} (SHA-256 {told.sha256}), found none"
        if size != told.size_bytes:
            return (
                f"expected the archived file {told.file} to have {told.size_bytes} bytes (SHA-256 {told.sha256}), "
                f"found {size}"
            )
    return None


def sha256(file: Path) -> str:
    """Return the SHA-256 of a file, hex."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def concerned(
    files: Sequence[ArchivedFile],
    since: datetime | None = None,
    until: datetime | None = None,
    probes: Iterable[int] | None = None,
) -> list[ArchivedFile]:
    """Return the files that can hold something heard from `since` to `until`, ends included, by one of `probes`."""
    buckets = None if probes is None or not files else {int(number) % BUCKETS for number in probes}
    return [
        told
        for told in files
        if (since is None or told.last_heard_at >= since)
        and (until is None or told.first_heard_at <= until)
        and (buckets is None or told.bucket in buckets)
    ]


def rows_of(files: Iterable[Path]) -> str:
    """Return the SQL of the rows that Parquet files hold, columns as UPLINK."""
    names = ", ".join("'" + str(file).replace("'", "''") + "'" for file in files)
    return f"(SELECT {COLUMNS} FROM read_parquet([{names}], hive_partitioning = true))"  # noqa: S608 - our own names


def both(files: Sequence[ArchivedFile]) -> str:
    """Return the SQL of the raw log, as far as it stands in `uplink` and in `files`; columns as UPLINK."""
    if not files:
        return "uplink"
    return f"(SELECT {COLUMNS} FROM uplink UNION ALL SELECT * FROM {rows_of(told.file for told in files)})"  # noqa: S608


def summed(con: duckdb.DuckDBPyConnection, source: str, params: list[Any] | None = None) -> tuple[Any, ...]:
    """Return rows, first and last seq, first and last heard_at, and content digest of what `source` holds."""
    (told,) = con.execute(
        f"SELECT count(*), min(seq), max(seq), min(heard_at), max(heard_at), {CONTENT} FROM {source}",  # noqa: S608
        params or [],
    ).fetchall()
    return tuple(told)
