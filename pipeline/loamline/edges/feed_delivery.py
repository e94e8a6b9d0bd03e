"""The thread of one feed, apart from the one that stores: a receiver that is slow or dead holds nothing up.

It reads a page by a view of its own, sends it message by message in order, and only then reads the next: no more than
a page is in memory, however long the receiver is away. What the receiver does not take is sent again after a pause that
doubles from one failure to the next; nothing is skipped.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import duckdb
from structlog.typing import FilteringBoundLogger

from loamline.core.feed_messages import Message, Telling, messages_of
from loamline.edges.event_receivers import AwayError, Receiver, RefusedError
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.feed_page import FeedPage, feed_page
from loamline.edges.store.feed_state import FeedState
from loamline.edges.store.reading_api import NotNowError, StoreReader, TooLongError
from loamline_schemas.feed_settings import FeedSettings

_FIRST_PAUSE_S = 1.0
_LEAVING_S = 1.0
_LOOK_AGAIN_S = 1.0


class FeedDelivery:
    """Sends what the store says is next, and tells how far it is. All but `_run` belongs to the thread that stores."""

    def __init__(
        self,
        settings: FeedSettings,
        receiver: Receiver,
        reader: StoreReader,
        state: FeedState,
        *,
        log: FilteringBoundLogger,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._settings, self._receiver, self._reader, self._clock = settings, receiver, reader, clock
        self._log = log.bind(feed=settings.name)
        self._wanted = Wanted(customer=settings.customer, site=settings.site)
        self._state = state
        self._changed = threading.Condition()
        self._leaving = False
        self._thread = threading.Thread(target=self._run, name=f"feed {settings.name}", daemon=True)

    @property
    def receiver(self) -> str:
        """Its address, without secrets."""
        return self._receiver.name

    @property
    def state(self) -> FeedState:
        """How far it is."""
        with self._changed:
            return self._state

    def start(self) -> None:
        """Begin to send, in the background."""
        self._thread.start()

    def allow(self, read_until: datetime) -> None:
        """Let it read so far, which is recorded; and have it look for changes."""
        with self._changed:
            self._state = replace(self._state, read_until=read_until)
            self._changed.notify_all()

    def close(self) -> None:
        """Leave; what is being sent gets a moment for its answer."""
        with self._changed:
            self._leaving = True
            self._changed.notify_all()
        self._thread.join(_LEAVING_S)

    def _run(self) -> None:
        while not self._left():
            page = self._read()
            if page is None:
                self._wait(_LOOK_AGAIN_S)
            elif all(self._send_until_taken(message) for message in self._messages(page.tellings)):
                self._told(page.after)
        self._receiver.close()

    def _read(self) -> FeedPage | None:
        try:
            with self._reader.view() as view:
                return feed_page(view, self.state, self._wanted, self._settings.batch_readings)
        except (NotNowError, TooLongError, duckdb.Error) as problem:
            self._log.debug("feed could not read, it looks again", reason=str(problem).splitlines()[0])
            return None

    def _messages(self, tellings: list[Telling]) -> list[Message]:
        feed = f"{self._settings.name} {self._state.started_at.isoformat()}"
        return messages_of(tellings, self._settings.form, self._settings.per, feed)

    def _send_until_taken(self, message: Message) -> bool:
        """Send a message until it is taken; return False where it is time to leave before that."""
        failures = 0
        while not self._left():
            after_s = 0.0
            try:
                self._receiver.send(message.message_id, message.body)
            except RefusedError as problem:
                sentence = str(problem)
            except AwayError as problem:
                sentence, after_s = str(problem), problem.after_s
            except Exception as problem:  # noqa: BLE001 - whatever it is, the readings are kept and tried again
                sentence = f"expected {self._receiver.name} to take readings, got {type(problem).__name__}"
            else:
                self._took()
                return True
            failures += 1
            self._failed(sentence)
            self._wait(max(self._pause_s(failures), after_s), until_leaving=True)
        return False

    def _told(self, after: FeedState) -> None:
        with self._changed:
            # The thread that stores may have let it read further meanwhile.
            self._state = replace(self._state, cursor=after.cursor, due_seq=after.due_seq)

    def _took(self) -> None:
        with self._changed:
            mended = self._state.failures > 0
            self._state = replace(self._state, failing_since=None, failures=0, last_error=None, sent_at=self._clock())
        if mended:
            self._log.info("receiver of a feed answers again", receiver=self._receiver.name)

    def _failed(self, sentence: str) -> None:
        with self._changed:
            first = self._state.failures == 0
            self._state = replace(
                self._state,
                failing_since=self._state.failing_since or self._clock(),
                failures=self._state.failures + 1,
                last_error=sentence,
            )
        tell = self._log.warning if first else self._log.debug
        tell("readings not taken, they are sent again", reason=sentence)

    def _wait(self, wait_s: float, *, until_leaving: bool = False) -> None:
        with self._changed:
            if until_leaving:
                self._changed.wait_for(lambda: self._leaving, wait_s)
            elif not self._leaving:
                self._changed.wait(wait_s)

    def _left(self) -> bool:
        with self._changed:
            return self._leaving

    def _pause_s(self, failures: int) -> float:
        pause_s = min(_FIRST_PAUSE_S * 2.0 ** min(failures - 1, 30), self._settings.longest_pause_s)
        return pause_s * random.uniform(0.5, 1.0)  # noqa: S311 - it keeps no secret
