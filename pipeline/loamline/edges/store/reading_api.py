"""The store for callers beside the thread that stores: a cursor each, in a short transaction that can only read.

DuckDB keeps versions of rows, so that a reader neither waits for the writer nor holds it up; what a reader sees is
what was committed when it began. How many read at once, and how long, is bounded, since they share processor and memory
with the writer; and each question gives way to a commit that is at work.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, cast

import duckdb

from loamline.edges.right_of_way import give_way
from loamline.edges.store import archived
from loamline.edges.store.connection import Store

_LOOK_S = 0.02


class NotNowError(Exception):
    """Nothing can be read at the moment; the message says what was expected and what came."""


class TooLongError(Exception):
    """A question took longer than one may; the message says what was expected and what came."""


class StoreReader:
    """Lends views of an open store to any thread. `opened` and `closed` are for the thread that owns the store."""

    def __init__(
        self, store: Store | None = None, *, at_once: int = 2, time_limit_s: float = 10.0, most_waiting: int = 30
    ) -> None:
        self._store = store
        self.time_limit_s = time_limit_s
        self._free = threading.BoundedSemaphore(at_once)
        self._may_wait = threading.BoundedSemaphore(most_waiting)
        self._changed = threading.Condition()
        self._lent: set[duckdb.DuckDBPyConnection] = set()

    def opened(self, store: Store) -> None:
        """Lend views of this store from now on."""
        with self._changed:
            self._store = store

    def closed(self) -> None:
        """Lend no more, end what is being asked, and return when nobody has a view: before the store is closed."""
        until = time.monotonic() + self.time_limit_s
        with self._changed:
            self._store = None
            while self._lent and time.monotonic() < until:
                # Again and again: an interrupt between two questions ends neither.
                for con in self._lent:
                    con.interrupt()
                self._changed.wait(_LOOK_S)

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Be one of those that work at once, for a view and for what is made of it: both share with who stores.

        Raises NotNowError where too many work and wait.
        """
        self._take_turn()
        try:
            yield
        finally:
            self._free.release()

    @contextmanager
    def view(self, *, beside_s: float | None = None) -> Iterator[Store]:
        """Yield the store as it stands now, for this thread alone; nothing can be written through it.

        `beside_s`: for so long, without a turn of its own: in one, or for what is done once for all. Raises NotNowError
        where the store is away or too many read or wait, TooLongError where the time limit is over.
        """
        if beside_s is None:
            with self.turn(), self._lend(self.time_limit_s) as view:
                yield view
        else:
            with self._lend(beside_s) as view:
                yield view

    def _take_turn(self) -> None:
        """Wait for a free reader. Raises NotNowError, at once where so many wait that the last would wait in vain."""
        if self._free.acquire(blocking=False):
            return
        if not self._may_wait.acquire(blocking=False):
            raise NotNowError("expected fewer to wait for a reader, got one more than may")
        try:
            if not self._free.acquire(timeout=self.time_limit_s):
                raise NotNowError("expected a free reader, got none in time")
        finally:
            self._may_wait.release()

    @contextmanager
    def _lend(self, time_limit_s: float) -> Iterator[Store]:
        con, view = self._begin()
        over = threading.Event()

        def end() -> None:
            over.set()
            con.interrupt()

        watch = threading.Timer(time_limit_s, end)
        watch.daemon = True
        watch.start()
        try:
            con.execute("SET TimeZone = 'UTC'")
            con.execute("BEGIN TRANSACTION READ ONLY")
            view.archived = archived.recorded(con, view.path.absolute().parent)
            yield view
        except duckdb.InterruptException:
            if over.is_set():
                raise TooLongError(f"expected an answer within {time_limit_s:g} s, got none") from None
            raise NotNowError("expected the store to be open, got it closed") from None
        finally:
            watch.cancel()
            self._end(con)

    def _begin(self) -> tuple[duckdb.DuckDBPyConnection, Store]:
        with self._changed:
            if self._store is None:
                raise NotNowError("expected the store to be open, got none")
            con = self._store.con.cursor()
            self._lent.add(con)
            return con, Store(self._store.path, cast(duckdb.DuckDBPyConnection, _Courteous(con)), -1, writable=False)

    def _end(self, con: duckdb.DuckDBPyConnection) -> None:
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
        with suppress(duckdb.Error):
            con.close()
        with self._changed:
            self._lent.discard(con)
            self._changed.notify_all()


class _Courteous:
    """A connection that gives way before each question."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)

    def execute(self, query: str, parameters: Any = None) -> Any:
        """Run a statement."""
        give_way()
        return self._con.execute(query, parameters)

    def sql(self, query: str, *, params: Any = None) -> Any:
        """Return a query, which is run when its rows are fetched."""
        give_way()
        return self._con.sql(query, params=params)
