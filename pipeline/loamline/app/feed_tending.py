"""The daemon's feeds: each with a thread of its own, kept up to date and recorded between commits."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from structlog.typing import FilteringBoundLogger

from loamline.app.output import rfc3339
from loamline.app.receivers import receiver_of
from loamline.core.feed_messages import MEDIA_TYPES
from loamline.edges.event_receivers import Receiver
from loamline.edges.feed_delivery import FeedDelivery
from loamline.edges.store.connection import Store
from loamline.edges.store.feed_state import (
    FeedState,
    begin_feeds,
    last_due,
    next_until,
    record_feeds,
    waits,
)
from loamline.edges.store.reading_api import StoreReader
from loamline_schemas.feed_settings import FeedSettings

TURN_S = 1.0
_LONGEST_READ_S = 60.0
_EARLIEST, _BEFORE = datetime(1, 1, 2, tzinfo=UTC), timedelta(microseconds=1)


class FeedTending:
    """A `loamline.app.tending.Tender`. Raises CommandError where a file that the settings name can't be used."""

    def __init__(
        self,
        settings: Sequence[FeedSettings],
        log: FilteringBoundLogger,
        *,
        turn_s: float = TURN_S,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._settings = {feed.name: feed for feed in settings}
        self._log, self._turn_s, self._clock = log, turn_s, clock
        self._receivers = {feed.name: _receiver(feed, number) for number, feed in enumerate(settings)}
        self._reader = StoreReader(at_once=max(1, len(settings)), time_limit_s=_LONGEST_READ_S)
        self._deliveries: dict[str, FeedDelivery] = {}
        #: As it stands in the store, but for how often a receiver failed since.
        self._recorded: dict[str, FeedState] = {}
        self._store: Store | None = None
        self._next_s = 0.0

    def turn(self, store: Store) -> None:
        """Record how far the feeds are and let them read on, at most once in `turn_s` seconds."""
        if time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + self._turn_s
        if store is not self._store:
            self._opened(store)
        self._record(store, read_on=True)

    def let_go(self) -> None:
        """Have no feed read the store any more."""
        if self._store is not None:
            self._store = None
            self._reader.closed()

    def leave(self, store: Store | None) -> None:
        """Stop sending, and record what was taken."""
        for delivery in self._deliveries.values():
            delivery.close()
        if store is not None and store is self._store:
            self._record(store, read_on=False)
        self.let_go()

    def told(self, store: Store) -> dict[str, Any]:
        """Return what the daemon's status tells of feeds."""
        return {"feeds": [self._told_of(store, name) for name in self._deliveries]}

    def _told_of(self, store: Store, name: str) -> dict[str, Any]:
        delivery = self._deliveries[name]
        state = delivery.state
        settled = self._settled(name)
        waiting = waits(store, state, settled)
        behind_s = max(0.0, (settled - state.cursor.measured_at).total_seconds()) if waiting else 0.0
        return {
            "name": name,
            "receiver": delivery.receiver,
            "waiting": waiting,
            "behind_s": behind_s,
            "changes_due": max(0, last_due(store) - state.due_seq),
            "sent_measured_at": rfc3339(state.cursor.measured_at),
            "sent_at": None if state.sent_at is None else rfc3339(state.sent_at),
            "failing_since": None if state.failing_since is None else rfc3339(state.failing_since),
            "failures": state.failures,
            "last_error": state.last_error,
        }

    def _settled(self, name: str) -> datetime:
        return self._clock() - timedelta(minutes=self._settings[name].settle_minutes)

    def _opened(self, store: Store) -> None:
        starts = {
            name: self._settled(name) if feed.since is None else max(feed.since, _EARLIEST) - _BEFORE
            for name, feed in self._settings.items()
        }
        states, forgot = begin_feeds(store, starts, self._clock())
        if forgot:
            self._log.info("feeds that the settings do not name any more are forgotten", feeds=forgot)
        self._recorded = states
        self._store = store
        self._reader.opened(store)
        for name, feed in self._settings.items():
            if name not in self._deliveries:
                delivery = FeedDelivery(
                    feed, self._receivers[name], self._reader, states[name], log=self._log, clock=self._clock
                )
                self._deliveries[name] = delivery
                delivery.start()

    def _record(self, store: Store, *, read_on: bool) -> None:
        """Write what changed; only what is written there as readable may be read (`feed_due`)."""
        fresh = []
        for name, delivery in self._deliveries.items():
            state = delivery.state
            if read_on and state.at_end:
                page = self._settings[name].batch_readings
                until = next_until(store, state.read_until, self._settled(name), page)
                state = state if until is None else replace(state, read_until=until)
            # How often it failed changes with each attempt, and is worth a commit only with the sentence.
            if replace(state, failures=0) != replace(self._recorded[name], failures=0):
                fresh.append(state)
        if fresh:
            record_feeds(store, fresh)
            self._recorded |= {state.name: state for state in fresh}
        for name, delivery in self._deliveries.items():
            delivery.allow(self._recorded[name].read_until)


def _receiver(feed: FeedSettings, number: int) -> Receiver:
    receiver = receiver_of(feed, f"feeds.{number}", MEDIA_TYPES[feed.form])
    if receiver is None:
        raise ValueError(f"expected a receiver for feed {feed.name}, got none")  # its settings see to that
    return receiver
