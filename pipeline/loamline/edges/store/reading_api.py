"""The store for callers beside the thread that stores: a cursor each, in a short transaction that can only read.

DuckDB keeps versions of rows, so that a reader neither waits for the writer nor holds it up; what a reader sees is
what was committed when it began. How many read at once, and how long, is bounded, since they share processor and memory
with the writer.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import duckdb

from loamline.edges.store import archived
from loamline.edges.store.connection import Store

_LOOK_S = 0.02


class NotNowError(Exception):
    """Nothing can be read at the moment; the message says what was expected and what came."""


class TooLongError(Exception):
    """A question took longer than one may; the message says what was expected and what came."""


class StoreReader:
    """Lends views of an open store to any thread. `opened` and `closed` are for the thread that owns the store."""

    def __init__(self, store: Store | None = None, *, at_once: int = 2, time_limit_s: float = 10.0) -> None:
        self._store = store
        self._time_limit_s = time_limit_s
        self._free = threading.BoundedSemaphore(at_once)
        self._changed = threading.Condition()
        self._lent: set[duckdb.DuckDBPyConnection] = set()

    def opened(self, store: Store) -> None:
        """Lend views of this store from now on."""
        with self._changed:
            self._store = store

    def closed(self) -> None:
        """Lend no more, end what is being asked, and return when nobody has a view: before the store is closed."""
        until = time.monotonic() + self._time_limit_s
        with self._changed:
            self._store = None
            while self._lent and time.monotonic() < until:
                # Again and again: an interrupt between two questions ends neither.
                for con in self._lent:
                    con.interrupt()
                self._changed.wait(_LOOK_S)

    @contextmanager
    def view(self) -> Iterator[Store]:
        """Yield the store as it stands now, for this thread alone; nothing can be written through it.

        Raises NotNowError where the store is away or too many read, TooLongError where the time limit is over.
        """
        if not self._free.acquire(timeout=self._time_limit_s):
            raise NotNowError("expected a free reader, got none in time")
        try:
            con, view = self._begin()
            over = threading.Event()

            def end() -> None:
                over.set()
                con.interrupt()

            watch = threading.Timer(self._time_limit_s, end)
            watch.daemon = True
            watch.start()
            try:
                con.execute("SET TimeZone = 'UTC'")
                con.execute("BEGIN TRANSACTION READ ONLY")
                view.archived = archived.recorded(con, view.path.absolute().parent)
                yield view
            except duckdb.InterruptException:
                if over.is_set():
                    raise TooLongError(f"expected an answer within {self._time_limit_s:g} s, got none") from None
                raise NotNowError("expected the store to be open, got it closed") from None
            finally:
                watch.cancel()
                self._end(con)
        finally:
            self._free.release()

    def _begin(self) -> tuple[duckdb.DuckDBPyConnection, Store]:
        with self._changed:
            if self._store is None:
                raise NotNowError("expected the store to be open, got none")
            con = self._store.con.cursor()
            self._lent.add(con)
            return con, Store(self._store.path, con, -1, writable=False)

    def _end(self, con: duckdb.DuckDBPyConnection) -> None:
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
        with suppress(duckdb.Error):
            con.close()
        with self._changed:
            self._lent.discard(con)
            self._changed.notify_all()
