"""The daemon's loop: receive a batch, read it, commit it, acknowledge it; nothing is acknowledged that isn't stored."""

from __future__ import annotations

import contextlib
import logging
import sys
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, Protocol, TextIO

import duckdb
import structlog
from structlog.typing import FilteringBoundLogger, Processor

from loamline.app.desk import Desk, Requests
from loamline.edges.inbox import Delivery
from loamline.edges.messages import Accepted, Fate, Incoming, Outcome, Rejected
from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet

#: How long a command may wait for the daemon to look up.
_IDLE_S = 0.2
#: After a signal, this long for what is queued; the rest stays with the broker.
_DRAIN_S = 8.0
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
    `store_away` is set while nothing can be stored, so that a way in can say so at once.
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
    ) -> None:
        self._path, self._codecs, self._source, self._log = store, codecs, source, log
        self._shortest_pause_s, self._on_commit = shortest_pause_s, on_commit
        self._observers = tuple(observers)
        self._store_away = store_away or threading.Event()
        self._stopped_at_s: float | None = None
        self._store: Store | None = None
        self._writer: Writer | None = None
        self.totals = Outcome()
        self._desk = Desk(codecs=codecs, requests=requests, log=log, counts=lambda: {**vars(self.totals)})

    def stop(self) -> None:
        """Stop taking messages, store what is queued, and let `run` return. Safe in a signal handler."""
        if self._stopped_at_s is None:
            self._stopped_at_s = time.monotonic()
        self._source.stop_intake()

    def run(self) -> bool:
        """Ingest until `stop`; return whether all that was taken is stored.

        Raises StoreError and IntakeError at the start.

        What is not stored by the end was not acknowledged either, and comes again.
        """
        self._open()
        left = 0
        try:
            self._desk.listen()
            self._source.start()
            while self._going_on():
                batch = self._source.receive(0.0 if self._desk.busy else _IDLE_S)
                if not batch and self._stopped_at_s is not None:
                    break
                if batch and not self._keep(batch):
                    left += len(batch)
                # A step between two commits, however many messages wait: both get on.
                if self._stopped_at_s is None:
                    self._desk.turn()
        finally:
            self._source.close()
            self._close("the daemon stops")
            self._desk.close()
            self._log.info("stopped", **vars(self.totals))
        return left == 0

    def _going_on(self) -> bool:
        return self._stopped_at_s is None or time.monotonic() - self._stopped_at_s < _DRAIN_S

    def _keep(self, batch: list[Delivery]) -> bool:
        """Store and acknowledge a batch; return False if the store stayed away until we were told to stop."""
        read = [_read(delivery) for delivery in batch]
        messages = [message for some in read for message in some]
        # The same clock on every try: what carries no time of its own stays the same delivery.
        fates = self._commit(messages, datetime.now(UTC))
        if fates is None:
            return False
        _fill_receipts(batch, read, fates)
        acknowledged = self._source.acknowledge(batch)
        outcome = Outcome.of(fates)
        self.totals += outcome
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
                self._log.error("defect in an observer, please report this", observer=name, reason=_told(problem))

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
            refused = _refused(messages[0], problem)
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
            time.sleep(0.05)
        return True

    def _open(self) -> None:
        self._store = Store.open(self._path, create=True)
        self._store.keep_commits_short()
        self._writer = Writer(self._store, self._codecs)
        self._desk.opened(self._store, self._writer)
        self._store_away.clear()

    def _close(self, reason: str) -> None:
        self._desk.closed(reason)
        store, self._store, self._writer = self._store, None, None
        if store is not None:
            # A connection that failed may fail again when closed; the file is what counts.
            with contextlib.suppress(duckdb.Error):
                store.close()


def _read(delivery: Delivery) -> list[Incoming]:
    try:
        return delivery.reader(delivery.payload, delivery.topic)
    except Exception as problem:  # noqa: BLE001 - one message must never stop the daemon
        detail = f"{delivery.topic}: expected to read it, got {_told(problem)}; please report this"
        return [Rejected(delivery.topic, detail, delivery.payload)]


def _fill_receipts(batch: list[Delivery], read: list[list[Incoming]], fates: list[Fate]) -> None:
    """Tell whoever waits for it what became of each message of its delivery."""
    left = iter(fates)
    for delivery, messages in zip(batch, read, strict=True):
        of_these = [next(left) for _ in messages]
        if delivery.receipt is not None:
            delivery.receipt.messages, delivery.receipt.fates = messages, of_these


def _refused(message: Accepted | Rejected, problem: Exception) -> Rejected:
    if isinstance(message, Rejected):
        return message
    source = f"uplink {message.uplink.fcnt} of {message.uplink.dev_eui}"
    return Rejected(source, f"{source}: expected to store it, got {_told(problem)}", message.envelope)


def _told(problem: Exception) -> str:
    return f"{type(problem).__name__}: {str(problem).splitlines()[0] if str(problem) else 'no reason'}"


def make_log(
    form: Literal["console", "json"], *, debug: bool = False, file: TextIO | None = None
) -> FilteringBoundLogger:
    """Return the daemon's log, to standard error or `file`: lines for people, or one JSON object a line."""
    file = file or sys.stderr
    render: Processor = (
        structlog.processors.JSONRenderer()
        if form == "json"
        else structlog.dev.ConsoleRenderer(colors=file.isatty(), pad_event_to=0)
    )
    log: FilteringBoundLogger = structlog.wrap_logger(
        structlog.PrintLogger(file),
        processors=[structlog.processors.add_log_level, structlog.processors.TimeStamper(fmt="iso", utc=True), render],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if debug else logging.INFO),
    )
    return log
