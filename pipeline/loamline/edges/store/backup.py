"""A backup of the store: one DuckDB file as of one instant, and a manifest beside it that says what it has to hold.

It is written by DuckDB out of the open database (a copy of the file can miss what was acknowledged, and opening the
file would drop DuckDB's own lock), and read again by another process, from disk, before it gets its name.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections import Counter
from collections.abc import Generator, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import duckdb

from loamline.edges.durable import make_durable
from loamline.edges.store.archived import absent, sha256
from loamline.edges.store.connection import OFFLINE, Store, StoreError

FORM = 1
_COPY = "loamline_backup"
#: Rows that DuckDB keeps together, and gives to one thread.
_ROW_GROUP = 122_880
#: Told of progress: which part of the work, how much is done, of how much (0: nobody knows).
Steps = Generator[dict[str, Any], None, Any]


class BackupError(Exception):
    """A backup that can't be made or trusted; the message says what was expected, what came and what to do."""


@dataclass(frozen=True)
class Held:
    """What a database holds: rows and a digest by table, the newest sequence number, its schema.

    A digest is a sum over DuckDB's hash of each row, so that order does not count; it may differ from one release of
    DuckDB to the next.
    """

    rows: dict[str, int]
    digests: dict[str, str]
    last_seq: int
    schema: int
    duckdb: str


@dataclass(frozen=True)
class Manifest:
    """What stands beside a backup. `archived`: files of the raw log that belong to it and are not in it."""

    form: int
    made_at: str
    size_bytes: int
    sha256: str
    held: Held
    archived: list[dict[str, Any]]


def manifest_path(backup: Path) -> Path:
    """Return where the manifest of a backup stands."""
    return backup.with_name(backup.name + ".manifest.json")


def backing_up(seen: Store, file: Path, *, begun: bool) -> Steps:
    """Write all that `seen` holds to `file`, which must not be there; return `Held` and the archived files as fields.

    It is the store as of one instant: that at which its transaction began, if one is `begun`.
    """
    con = seen.con
    if not begun:
        con.execute("BEGIN")
    # What a transaction sees is settled by its first statement.
    (live,) = con.execute("SELECT current_database() FROM (SELECT count(*) FROM migration)").fetchall()[0]
    yield {"part": "copying", "done": 0, "total": 0}
    con.execute(f"ATTACH '{_quoted(file)}' AS {_COPY} (READ_WRITE)")
    try:
        # A part at a time is the work of one thread, which leaves the other cores to whoever commits meanwhile.
        con.execute(f'COPY FROM DATABASE "{live}" TO {_COPY} (SCHEMA)')
        for name, part, done, total in _parts(con, live):
            yield {"part": "copying", "done": done, "total": total}
            con.execute(f'INSERT INTO {_COPY}.main."{name}" SELECT * FROM "{live}".main."{name}" WHERE {part}')  # noqa: S608
        held = yield from _holding(con, live, seen.last_seq())
        con.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(duckdb.Error):
            con.execute("ROLLBACK")
        raise
    finally:
        with contextlib.suppress(duckdb.Error):
            con.execute(f"DETACH {_COPY}")
    archived = [
        {"path": told.path, "size_bytes": told.size_bytes, "sha256": told.sha256, "rows": told.rows}
        for told in seen.archived
    ]
    return {"held": asdict(held), "archived": archived, "absent": absent(seen.archived)}


def checking(file: Path, expected: Held) -> Steps:
    """Read all of a backup from disk; return what is wrong with it, a sentence each."""
    try:
        # Not by a path of the store's own code: this must write nothing, no lock and no migration.
        with duckdb.connect(config=OFFLINE) as con:
            con.execute(f"ATTACH '{_quoted(file)}' AS {_COPY} (READ_ONLY)")
            last_seq = con.execute(
                f"SELECT greatest((SELECT coalesce(max(seq), 0) FROM {_COPY}.uplink), "  # noqa: S608 - our own names
                f"(SELECT coalesce(max(last_seq), 0) FROM {_COPY}.archived))"
            ).fetchall()[0][0]
            found = yield from _holding(con, _COPY, last_seq)
    except duckdb.Error as problem:
        return [f"expected to read all of {file}, got {str(problem).splitlines()[0]}"]
    wrong = [
        f"{file}: expected {expected.rows.get(name, 0)} rows of {name}, found {found.rows.get(name, 0)}"
        for name in sorted({*expected.rows, *found.rows})
        if expected.rows.get(name) != found.rows.get(name)
    ]
    if found.last_seq != expected.last_seq:
        wrong.append(f"{file}: expected sequence number {expected.last_seq}, found {found.last_seq}")
    if not wrong and found.duckdb == expected.duckdb:
        other = [name for name, digest in expected.digests.items() if found.digests[name] != digest]
        wrong += [f"{file}: expected the rows of {name} as they stood in the store, found others" for name in other]
    return wrong


def named(unfinished: Path, backup: Path, manifest: Manifest) -> None:
    """Give a checked backup its name and its manifest, durably."""
    make_durable(unfinished)
    fresh = manifest_path(backup)
    fresh.write_text(json.dumps(asdict(manifest), indent=1) + "\n", encoding="utf-8")
    make_durable(fresh)
    unfinished.replace(backup)
    make_durable(backup.parent)


def manifest_of(backup: Path) -> Manifest:
    """Return the manifest beside a backup. Raises BackupError."""
    path = manifest_path(backup)
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        if told["form"] > FORM:
            raise BackupError(f"{path}: expected form {FORM} or older, got {told['form']}; upgrade this loamline")
        return Manifest(**{**told, "held": Held(**told["held"])})
    except OSError as problem:
        raise BackupError(f"expected the backup's manifest at {path}, got {problem.strerror}") from problem
    except (ValueError, KeyError, TypeError) as problem:
        raise BackupError(f"{path}: expected a manifest that `loamline backup` wrote, got another file") from problem


def check_bytes(file: Path, manifest: Manifest) -> None:
    """Raise BackupError where a file is not, byte for byte, the backup of its manifest."""
    try:
        size, digest = file.stat().st_size, sha256(file)
    except OSError as problem:
        raise BackupError(f"expected a backup at {file}, got {problem.strerror}") from problem
    if (size, digest) != (manifest.size_bytes, manifest.sha256):
        raise BackupError(
            f"expected {file} to have {manifest.size_bytes} bytes of SHA-256 {manifest.sha256}, found {size} of "
            f"{digest}: it was changed or damaged since; use another backup"
        )


def put_in_place(backup: Path, path: Path, manifest: Manifest) -> None:
    """Copy a checked backup to where there is no store, compare, and note its watermark. Raises BackupError."""
    for name in ("", ".wal", ".watermark"):
        there = path.with_name(path.name + name)
        if there.exists():
            raise BackupError(
                f"expected nothing at {there}, found a file, which is not overwritten; move it away first"
            )
    fresh = path.with_name(path.name + ".restoring")
    try:
        shutil.copyfile(backup, fresh)
        check_bytes(fresh, manifest)
        make_durable(fresh)
        # A link is refused where there is a file, which a rename would replace.
        os.link(fresh, path)
        make_durable(path.parent)
    except FileExistsError:
        raise BackupError(
            f"expected no file at {path}, found one; name another --store, or move that one away"
        ) from None
    except OSError as problem:
        raise BackupError(f"expected to write {path}, got {problem.strerror}") from problem
    finally:
        fresh.unlink(missing_ok=True)
    try:
        with Store.open(path, whole=False) as store:
            store.write_watermark(store.last_seq(), store.rejected_ever())
    except StoreError as problem:
        raise BackupError(str(problem)) from problem


def _holding(con: duckdb.DuckDBPyConnection, database: str, last_seq: int) -> Generator[dict[str, Any], None, Held]:
    rows: Counter[str] = Counter()
    digests: Counter[str] = Counter()
    for name, part, done, total in _parts(con, database):
        yield {"part": "checking", "done": done, "total": total}
        count, digest = con.execute(
            f'SELECT count(*), coalesce(sum(hash(t)), 0) FROM "{database}".main."{name}" AS t WHERE {part}'  # noqa: S608
        ).fetchall()[0]
        rows[name] += count
        digests[name] += digest
    schema, release = con.execute(f'SELECT max(number), version() FROM "{database}".main.migration').fetchall()[0]  # noqa: S608
    return Held(dict(rows), {name: str(digest) for name, digest in digests.items()}, last_seq, schema, release)


def _parts(con: duckdb.DuckDBPyConnection, database: str) -> Iterator[tuple[str, str, int, int]]:
    """Yield every table in parts of a row group: its name, the rows in SQL, how much is done before it, of how much."""
    named = con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = ? AND schema_name = 'main' AND NOT internal "
        "ORDER BY ALL",
        [database],
    ).fetchall()
    last = [
        (name, con.execute(f'SELECT coalesce(max(rowid), 0) FROM "{database}".main."{name}"').fetchall()[0][0])  # noqa: S608
        for (name,) in named
    ]
    total, done = sum(rowid + 1 for _, rowid in last), 0
    for name, rowid in last:
        for first in range(0, rowid + 1, _ROW_GROUP):
            yield name, f"rowid BETWEEN {first} AND {first + _ROW_GROUP - 1}", done, total
            done += min(_ROW_GROUP, rowid + 1 - first)


def _quoted(file: Path) -> str:
    return str(file).replace("'", "''")
