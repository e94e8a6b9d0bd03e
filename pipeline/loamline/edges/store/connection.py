"""Opening the store: lock file, interrupted creation, migrations, and the watermark that shows a shortened log.

Beside FILE stand `FILE.lock` (held by whoever has the store open) and `FILE.watermark` (the last committed
sequence number, written after each commit). DuckDB opens a database with a damaged or shortened write-ahead
log without a word; the watermark is what notices.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb

from loamline.edges.store import archived
from loamline.edges.store.lock import StoreBusyError, StoreError, StoreOutdatedError, lock
from loamline_schemas.migrations import MIGRATIONS, RECORD_DDL

__all__ = ["OFFLINE", "Store", "StoreBusyError", "StoreError", "StoreOutdatedError", "migrate"]

#: What is not in the wheel would be downloaded; fail fast instead.
OFFLINE: dict[str, Any] = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


class Store:
    """An open store. `con` is its one connection; only the thread that opened it may use it."""

    def __init__(self, path: Path, con: duckdb.DuckDBPyConnection, lock: int, *, writable: bool) -> None:
        self.path = path
        self.con = con
        self.writable = writable
        self._lock = lock
        self._rejected_noted = 0
        #: Counts changes of derived rows by others than the writer, which keeps the newest days of them in memory.
        self.changes = 0
        #: Where months of the raw log stand that are not in the table any more.
        self.archived: tuple[archived.ArchivedFile, ...] = ()

    @classmethod
    def open(cls, path: Path, *, create: bool = False, writable: bool = True, whole: bool = True) -> Self:
        """Open the store at `path`; `create` makes it where there is none. Raises StoreError.

        `whole`: only with every archived file in its place and of its length.
        """
        if not path.exists() and not create:
            raise StoreError(f"expected a store at {path}, found none; `loamline registry load` or `import` makes one")
        if create and not path.parent.is_dir():
            raise StoreError(f"expected the folder {path.parent} for the store, found none; make it first")
        held = lock(path, shared=not writable)
        try:
            if not path.exists():
                _create(path)
            con = _connect(path, writable=writable)
            store = cls(path, con, held, writable=writable)
        except BaseException:
            os.close(held)
            raise
        try:
            store._bring_up_to_date()
            store.look_at_archive()
            if whole:
                store._check_archive()
            store._check_watermark()
        except BaseException:
            store.close()
            raise
        return store

    @classmethod
    def lent(cls, path: Path, con: duckdb.DuckDBPyConnection, folder: Path) -> Self:
        """Return the store at `path` as whoever has it open lends it by `con`, to read; it stands in its `folder`.

        To end it, close `con`. Raises StoreError where it is of another schema.
        """
        store = cls(path, con, -1, writable=False)
        store._bring_up_to_date()
        store.archived = archived.recorded(con, folder)
        return store

    def close(self) -> None:
        """Close the database and let go of the lock."""
        self.con.close()
        os.close(self._lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def keep_commits_short(self) -> None:
        """Have commits leave what they can to the write-ahead log; by default, 16 MB of it are folded into the file.

        A commit of many rows skips the log otherwise. The price is a longer start after a kill.
        """
        self.con.execute("SET checkpoint_threshold = '256MB'")
        self.con.execute("SET auto_checkpoint_skip_wal_threshold = 1000000000")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Run the body in one transaction: whole, or not at all."""
        self.con.execute("BEGIN")
        try:
            yield
            self.con.execute("COMMIT")
        except BaseException:
            self.con.execute("ROLLBACK")
            raise

    def as_it_stands(self, *, read_only: bool = False) -> Store:
        """Return a view to read on a connection of its own, for another thread, whatever is committed meanwhile.

        Close its `con` soon: what it sees has to be kept for it. `read_only`: DuckDB sees to it that nothing is
        written; else other files can be, beside the store.
        """
        con = self.con.cursor()
        con.execute("SET TimeZone = 'UTC'")
        con.execute("BEGIN TRANSACTION READ ONLY" if read_only else "BEGIN")
        # What a transaction sees is settled by its first statement.
        con.execute("SELECT count(*) FROM migration").fetchall()
        seen = Store(self.path, con, -1, writable=False)
        seen.archived = self.archived
        return seen

    def last_seq(self) -> int:
        """Return the sequence number of the newest raw-log row, 0 for none."""
        newest = int(self.scalar("SELECT coalesce(max(seq), 0) FROM uplink"))
        return max(newest, *(told.last_seq for told in self.archived), 0)

    def look_at_archive(self) -> None:
        """Take up which months of the raw log stand in files: again, where that was changed."""
        self.archived = archived.recorded(self.con, self.path.absolute().parent)

    def raw_log(
        self, since: datetime | None = None, until: datetime | None = None, probes: Iterable[int] | None = None
    ) -> str:
        """Return the raw log for SQL, columns as UPLINK: the table, and the archived files that a question concerns.

        With `since`, `until` (of heard_at, ends included) or `probes`, rows beyond them may be left out; which ones are
        wanted is for the query to say.
        """
        return archived.both(archived.concerned(self.archived, since, until, probes))

    def scalar(self, sql: str, params: list[Any] | dict[str, Any] | None = None) -> Any:
        """Return the one value of a query of one row; everything is fetched, so that the connection is free again."""
        ((value,),) = self.con.execute(sql, params or []).fetchall()
        return value

    def rejected_ever(self) -> int:
        """Return how many messages that are no uplinks were ever kept."""
        return int(self.scalar("SELECT coalesce(max(kept), 0) FROM rejected_ever"))

    def write_watermark(self, seq: int, rejected_ever: int | None = None) -> None:
        """Note, durably and outside the database, that everything up to these counts is committed.

        `rejected_ever` stays as it was noted where it is not told.
        """
        if rejected_ever is not None:
            self._rejected_noted = rejected_ever
        fresh = self._watermark.with_name(self._watermark.name + ".new")
        with fresh.open("w") as file:
            json.dump({"last_seq": seq, "rejected_ever": self._rejected_noted}, file)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(self._watermark)

    @property
    def _watermark(self) -> Path:
        return self.path.with_name(self.path.name + ".watermark")

    def _bring_up_to_date(self) -> None:
        try:
            known = {number for (number,) in self.con.execute("SELECT number FROM migration").fetchall()}
        except duckdb.CatalogException as problem:
            raise StoreError(
                f"expected a loamline store at {self.path}, found a DuckDB file of something else; name another file"
            ) from problem
        newer = known - {migration.number for migration in MIGRATIONS}
        if newer:
            raise StoreError(
                f"expected a store of schema {MIGRATIONS[-1].number} or older at {self.path}, got {max(newer)}; "
                "a newer loamline wrote it: upgrade this one"
            )
        pending = [migration for migration in MIGRATIONS if migration.number not in known]
        if pending and not self.writable:
            raise StoreOutdatedError(
                f"expected a store of schema {MIGRATIONS[-1].number} at {self.path}, got {max(known, default=0)}; "
                "`loamline ingest` and `loamline registry load` bring it up to date"
            )
        if pending:
            migrate(self.con)

    def _check_archive(self) -> None:
        wrong = archived.absent(self.archived)
        if wrong is not None:
            raise StoreError(
                f"{wrong}: a part of the raw log of {self.path}, without which nothing can be derived. "
                f"Put it back from a copy; `loamline archive check --store {self.path}` tells of all files"
            )

    def _check_watermark(self) -> None:
        self._rejected_noted = kept = self.rejected_ever()
        try:
            noted = json.loads(self._watermark.read_text())
            promised, promised_kept = int(noted["last_seq"]), int(noted.get("rejected_ever", 0))
        except (FileNotFoundError, ValueError, KeyError, TypeError, AttributeError):
            return
        found = self.last_seq()
        if found >= promised and kept >= promised_kept:
            return
        wrong = (
            f"at least sequence number {promised} in {self.path}, found {found}"
            if found < promised
            else f"at least {promised_kept} rejected messages ever kept in {self.path}, found {kept}"
        )
        raise StoreError(
            f"expected {wrong}: acknowledged messages are missing, the write-ahead log was damaged or shortened. "
            f"Restore a backup and import what is missing, or remove {self._watermark} to accept the loss"
        )


def migrate(con: duckdb.DuckDBPyConnection, *, pending_only: bool = True) -> list[str]:
    """Run the migrations that were not run yet, each in its own transaction; return their names."""
    con.execute(RECORD_DDL)
    known = {number for (number,) in con.execute("SELECT number FROM migration").fetchall()}
    ran = []
    for migration in MIGRATIONS:
        if pending_only and migration.number in known:
            continue
        con.execute("BEGIN")
        try:
            for statement in migration.statements:
                con.execute(statement)
            con.execute("INSERT INTO migration VALUES (?, ?, ?)", [migration.number, migration.name, datetime.now(UTC)])
            con.execute("COMMIT")
        except BaseException:
            con.execute("ROLLBACK")
            raise
        ran.append(migration.name)
    return ran


def _connect(path: Path, *, writable: bool) -> duckdb.DuckDBPyConnection:
    try:
        con = duckdb.connect(
            str(path),
            read_only=not writable,
            config=OFFLINE,
        )
    except duckdb.Error as problem:
        first = str(problem).splitlines()[0]
        raise StoreError(f"expected a loamline store at {path}, could not open it: {first}") from problem
    con.execute("SET TimeZone = 'UTC'")
    con.execute("SET preserve_insertion_order = true")
    return con


def _create(path: Path) -> None:
    """Make an empty store under another name first: a crash on the way leaves nothing at `path`."""
    unfinished = path.with_name(path.name + ".creating")
    for left in (unfinished, unfinished.with_name(unfinished.name + ".wal")):
        left.unlink(missing_ok=True)
    con = _connect(unfinished, writable=True)
    try:
        migrate(con)
        con.execute(
            "INSERT INTO reference VALUES (0, ?, ?, ?)",
            [datetime.fromtimestamp(0, UTC), "", "before anything was loaded"],
        )
        con.execute("CHECKPOINT")
    except duckdb.Error as problem:
        first = str(problem).splitlines()[0]
        raise StoreError(f"expected to make a store at {path}, got {first}; none was made: mend the cause") from problem
    finally:
        con.close()
    unfinished.replace(path)
