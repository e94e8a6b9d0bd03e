"""The daemon's eye on the fleet: problems kept up to date between commits, and their events sent on."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from structlog.typing import FilteringBoundLogger

from loamline.app.receivers import receiver_of
from loamline.core.cloud_events import MEDIA_TYPE
from loamline.edges.event_delivery import EventDelivery
from loamline.edges.store.connection import Store
from loamline.edges.store.outbox import outbox_state, record_answers, waiting_events
from loamline.edges.store.problems import Problems
from loamline_schemas.events_settings import EventsSettings

#: No more often than this, whatever comes in; and after a turn, so many times as long as it took.
TURN_S = 1.0
_RESTS = 9
#: Events that the sending thread holds at a time.
HANDED = 100


class ProblemWatch:
    """A `loamline.app.tending.Tender`; without a receiver problems are noted, and no events made.

    Raises CommandError where a file that the settings name can't be used.
    """

    def __init__(
        self,
        settings: EventsSettings,
        log: FilteringBoundLogger,
        *,
        turn_s: float = TURN_S,
        rests: float = _RESTS,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._settings, self._log, self._clock = settings, log, clock
        self._turn_s, self._rests = turn_s, rests
        self._receiver = receiver_of(settings, "events", MEDIA_TYPE)
        self._delivery: EventDelivery | None = None
        self._store: Store | None = None
        self._problems: Problems | None = None
        self._settled_at = clock() + timedelta(minutes=settings.settle_minutes)
        self._next_s = 0.0
        self._handed = 0
        #: Events that were taken, not yet recorded as such.
        self._taken: list[str] = []
        self._noted: Any = None

    def turn(self, store: Store) -> None:
        """Look at what is due and hand on what waits, at most once in `turn_s` seconds."""
        if time.monotonic() < self._next_s:
            return
        begun_s = time.monotonic()
        try:
            self._look(store, self._clock())
        finally:
            self._next_s = max(begun_s + self._turn_s, time.monotonic() + self._rests * (time.monotonic() - begun_s))

    def _look(self, store: Store, now: datetime) -> None:
        if store is not self._store or self._problems is None:
            self._opened(store, now)
        if self._problems is not None and (changes := self._problems.turn(now)):
            self._log.info("problems changed", changes=changes, in_force=len(self._problems.in_force))
        self._pass_on(store)

    def let_go(self) -> None:
        """Nothing of the store is kept between two turns."""

    def leave(self, store: Store | None) -> None:
        """Stop sending, and record what was taken."""
        if self._delivery is not None:
            self._delivery.close()
            if store is not None:
                self._record(store)

    def told(self, store: Store) -> dict[str, Any]:
        """Return what the daemon's status tells of problems and events."""
        problems = [] if self._problems is None else self._problems.in_force
        return {"problems_in_force": len(problems), "events": outbox_state(store).as_fields()}

    def _opened(self, store: Store, now: datetime) -> None:
        self._problems, self._handed = None, 0
        source = None if self._receiver is None else self._settings.source
        self._problems = Problems(store, now, source=source, settle=max(self._settled_at - now, timedelta(0)))
        self._store = store
        if self._receiver is not None and self._delivery is None:
            known = outbox_state(store).receiver
            self._delivery = EventDelivery(
                self._receiver, log=self._log, state=known, longest_pause_s=self._settings.longest_pause_s
            )
            if known is not None and known.receiver == self._receiver.name:
                self._noted = (known.failing_since, known.last_error)
            self._delivery.start()

    def _pass_on(self, store: Store) -> None:
        if self._delivery is None:
            return
        self._record(store)
        room = HANDED - self._delivery.room
        if room > 0:
            events = waiting_events(store, self._handed, room)
            self._delivery.hand(events)
            self._handed = max((event.seq for event in events), default=self._handed)

    def _record(self, store: Store) -> None:
        if self._delivery is None:
            return
        self._taken += self._delivery.taken()
        state = self._delivery.state
        # How often it failed since changes with each attempt, and is worth a commit only with the sentence.
        told = (state.failing_since, state.last_error)
        if self._taken or told != self._noted:
            record_answers(store, self._taken, state)
            self._delivery.recorded(self._taken)
            self._taken, self._noted = [], told
