"""The daemon's loop: receive a batch, read it, commit it, acknowledge it; nothing is acknowledged that isn't stored."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

import duckdb
from structlog.typing import FilteringBoundLogger

from loamline.app.batches import fill_receipts, read_delivery, refused_message, told
from loamline.app.desk import Desk, Requests
from loamline.app.log import make_log
from loamline.app.reloading import Reloading
from loamline.app.tending import Tender, leave, let_go, tend
from loamline.edges.inbox import Delivery
from loamline.edges.messages import Fate, Incoming, Outcome, Rejected
from loamline.edges.pulse import Pulse
from loamline.edges.right_of_way import storing
from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet

__all__ = ["Ingest", "Observer", "Source", "make_log"]

#: How long a command may wait for the daemon to look up.
_IDLE_S = 0.2
#: After a signal, this long for what is queued; the rest stays with the broker. With the ways in left at once, each
#: within 3 s, the daemon is gone in 10 s, unless folding a long write-ahead log into the file takes longer.
_DRAIN_S = 4.0
_SHORTEST_PAUSE_S, _LONGEST_PAUSE_S = 1.0, 30.0

#: Of DuckDB's errors, those that the content of a batch causes; any other is the store's own trouble.
_CONTENT_ERRORS = (duckdb.DataError, duckdb.IntegrityError, duckdb.ProgrammingError)


class Source(Protocol):
    """Where batches come from: an `Intake` of several ways in, or a `Subscriber` that is the only one."""

    def start(self) -> None:
        """Begin to receive, in the background. Raises IntakeError."""

    def receive(self, wait_s: float) -> list[Delivery]:
        """Return the next batch; empty after `wait_s` seconds with nothing, or when closed and drained.

        With 0: a batch that is due now, or nothing.
        """

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored; return how many acknowledgements went out."""

    def stop_intake(self) -> None:
        """Take nothing more. Called from a signal handler."""

    def close(self) -> None:
        """Leave, with all acknowledgements sent."""


#: Called by the thread that stores after each commit, once it is acknowledged: the open store and what became of it.
Observer = Callable[[Store, Outcome], None]


class Ingest:
    """One store fed from one source, by the thread that calls `run`, which answers `requests` between two commits.

    `on_commit` is called by that thread after each commit, with the open store and the totals so far; so are the
    `observers`, with the outcome of that commit alone. An observer that raises is logged and called again next time.
    `store_away` is set while nothing can be stored, so that a way in can say so at once. `about` adds to what is
    answered to whoever asks how the daemon is; `reloading` knows what `reload` reads again; `pulse` is this thread's
    sign of life.
    """

    def __init__(
        self,
        *,
        store: Path,
        codecs: CodecSet,
        source: Source,
        log: FilteringBoundLogger,
        requests: Requests | None = None,
        shortest_pause_s: float = _SHORTEST_PAUSE_S,
        on_commit: Callable[[Store, Outcome], None] = lambda _store, _totals: None,
        observers: Sequence[Observer] = (),
        store_away: threading.Event | None = None,
        about: Callable[[Store], dict[str, Any]] = lambda _store: {},
        reloading: Reloading | None = None,
        tenders: Sequence[Tender] = (),
        pulse: Pulse | None = None,
    ) -> None:
        self._path, self._codecs, self._source, self._log = store, codecs, source, log
        self._shortest_pause_s, self._on_commit = shortest_pause_s, on_commit
        self._observers, self._tenders = tuple(observers), tuple(tenders)
        self._store_away = store_away or threading.Event()
        self._pulse = pulse or Pulse()
        self._stopped_at_s: float | None = None
        self._store: Store | None = None
        self._writer: Writer | None = None
        self.totals = Outcome()
        self._reloading, self._reload_wanted = reloading, False
        self._desk = Desk(
            codecs=codecs,
            requests=requests,
            log=log,
            counts=lambda: {**vars(self.totals)},
            about=about,
            reload=None if reloading is None else self._take_up,
        )

    def stop(self) -> None:
        """Stop taking messages, store what is queued, and let `run` return. Safe in a signal handler."""
        if self._stopped_at_s is None:
            self._stopped_at_s = time.monotonic()
        self._source.stop_intake()

    @property
    def job(self) -> str | None:
        """The name of the long request that is being worked on."""
        return self._desk.job

    def reload(self) -> None:
        """Read registry, maps, keys and codecs again, before the next batch. Safe in a signal handler."""
        self._reload_wanted = True

    def run(self) -> bool:
        """Ingest until `stop`; return whether all that was taken is stored.

        Raises StoreError and IntakeError at the start.

        What is not stored by the end was not acknowledged either, and comes again.
        """
        self._open()
        left = 0
        try:
            self._desk.listen()
            if self._reloading is not None and self._store is not None and self._writer is not None:
                self._reloading.begin(self._store, self._writer)
            # A first look takes seconds at a large store: better before anything waits for it.
            tend(self._tenders, self._store, self._log)
            self._source.start()
            self._pulse.ready()
            while self._going_on():
                self._pulse.beat()
                if self._reload_wanted:
                    self._take_up()
                batch = self._source.receive(0.0 if self._desk.busy else _IDLE_S)
                if not batch and self._stopped_at_s is not None:
                    break
                if batch and not self._keep(batch):
                    left += len(batch)
                # A step between two commits, however many messages wait: both get on.
                if self._stopped_at_s is None:
                    self._desk.turn()
                    with storing():
                        tend(self._tenders, self._store, self._log)
        finally:
            self._pulse.leaving()
            self._source.close()
            leave(self._tenders, self._store, self._log)
            self._close("the daemon stops")
            self._desk.close()
            self._log.info("stopped", **vars(self.totals))
        return left == 0

    def _take_up(self) -> dict[str, Any]:
        self._reload_wanted = False
        if self._reloading is None or self._store is None or self._writer is None:
            self._log.warning("nothing to read again: this daemon was started without settings, or its store is away")
            return {"taken": False, "faults": ["expected an open store, got one that is away"]}
        told = self._reloading.take_up(self._store, self._writer)
        self._codecs = self._reloading.codecs
        self._desk.use_codecs(self._codecs)
        return told

    def _going_on(self) -> bool:
        return self._stopped_at_s is None or time.monotonic() - self._stopped_at_s < _DRAIN_S

    def _keep(self, batch: list[Delivery]) -> bool:
        """Store and acknowledge a batch; return False if the store stayed away until we were told to stop."""
        with storing():
            read = [read_delivery(delivery) for delivery in batch]
            messages = [message for some in read for message in some]
            # The same clock on every try: what carries no time of its own stays the same delivery.
            start = time.monotonic()
            fates = self._commit(messages, datetime.now(UTC)) if messages else []
            if fates is None:
                return False
            self._pulse.commit_s = time.monotonic() - start
        fill_receipts(batch, read, fates)
        acknowledged = self._source.acknowledge(batch)
        outcome = Outcome.of(fates)
        self.totals += outcome
        if not fates:
            return True  # a canary, and nothing else
        if self._store is not None:
            self._on_commit(self._store, self.totals)
            self._observe(self._store, outcome)
        self._log.debug("committed", messages=len(batch), acknowledged=acknowledged, **vars(outcome))
        for message in messages:
            if isinstance(message, Rejected):
                self._log.warning("rejected", sentence=message.detail)
        return True

    def _observe(self, store: Store, outcome: Outcome) -> None:
        for observer in self._observers:
            try:
                observer(store, outcome)
            except Exception as problem:  # noqa: BLE001 - watching must not stop what is watched
                name = getattr(observer, "__qualname__", type(observer).__qualname__)
                self._log.error("defect in an observer, please report this", observer=name, reason=told(problem))

    def _commit(self, messages: list[Incoming], now: datetime) -> list[Fate] | None:
        """Commit, however often the store has to be opened for it. None: told to stop before that succeeded."""
        while True:
            try:
                return self._commit_or_split(messages, now)
            except (duckdb.Error, OSError) as problem:
                # An error does not tell whether the batch is on disk; the next try finds out, duplicates are known.
                first = str(problem).splitlines()[0]
                self._log.error("store failed, nothing of this batch is acknowledged", reason=first)
                self._store_away.set()
                self._pulse.failures += 1
            if not self._reopen():
                return None

    def _commit_or_split(self, messages: list[Incoming], now: datetime) -> list[Fate]:
        """Commit, in halves where the content of the batch fails; a message that fails alone is kept as it came."""
        if self._writer is None:
            raise OSError(f"{self._path} is not open")
        try:
            self._writer.commit(messages, now)
        except Exception as problem:
            # Whatever a message can trip must not keep all others from being stored, now or at the next start.
            ours = isinstance(problem, OSError | MemoryError)
            if ours or (isinstance(problem, duckdb.Error) and not isinstance(problem, _CONTENT_ERRORS)):
                raise
            if len(messages) > 1:
                half = len(messages) // 2
                return self._commit_or_split(messages[:half], now) + self._commit_or_split(messages[half:], now)
            if isinstance(messages[0], Rejected):
                raise
            refused = refused_message(messages[0], problem)
            self._log.error("kept without deriving it; please report this", sentence=refused.detail)
            self._writer.commit([refused], now)
        return self._writer.fates

    def _reopen(self) -> bool:
        pause_s = self._shortest_pause_s
        while True:
            self._close("expected the store to be open, but it is away; the daemon's log says why")
            if not self._pause(pause_s):
                return False
            try:
                self._open()
            except (StoreError, duckdb.Error, OSError) as problem:
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
                reason = str(problem).splitlines()[0]
                self._log.error("store still away", reason=reason, next_try_in_s=pause_s)
            else:
                self._log.info("store open again")
                return True

    def _pause(self, pause_s: float) -> bool:
        """Wait; return False as soon as we were told to stop and the time for that is over."""
        until = time.monotonic() + pause_s
        while time.monotonic() < until:
            if not self._going_on():
                return False
            self._pulse.beat()
            time.sleep(0.05)
        return True

    def _open(self) -> None:
        self._store = Store.open(self._path, create=True)
        self._store.keep_commits_short()
        self._writer = Writer(self._store, self._codecs)
        self._writer.warm_up()
        self._desk.opened(self._store, self._writer)
        self._store_away.clear()

    def _close(self, reason: str) -> None:
        self._desk.closed(reason)
        let_go(self._tenders, self._log)
        store, self._store, self._writer = self._store, None, None
        if store is not None:
            # A connection that failed may fail again when closed; the file is what counts.
            with contextlib.suppress(duckdb.Error):
                store.close()
