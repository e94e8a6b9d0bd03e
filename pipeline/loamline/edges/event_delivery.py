"""The thread that sends events, apart from the one that stores: a receiver that is slow or dead holds nothing up.

In order within a subject: the next event of a subject waits until the one before is taken. What the receiver refuses
holds back its own subject alone; a receiver that does not answer is left in peace for a pause that doubles from one
failure to the next, up to `longest_pause_s`, each drawn between half of it and the whole, so that many daemons don't
come back at one instant.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from structlog.typing import FilteringBoundLogger

from loamline.edges.event_receivers import AwayError, Receiver, RefusedError
from loamline.edges.store.outbox import ReceiverState, Waiting

_FIRST_PAUSE_S = 1.0
_LEAVING_S = 1.0


@dataclass
class _Hold:
    """Until when (monotonic, s) something waits, after how many failures."""

    until_s: float
    failures: int


class EventDelivery:
    """Sends what it is handed, and tells what was taken. All but `_run` belongs to the thread that stores.

    Events are forgotten with the process; the outbox hands them again.
    """

    def __init__(
        self,
        receiver: Receiver,
        *,
        log: FilteringBoundLogger,
        state: ReceiverState | None = None,
        longest_pause_s: float = 300.0,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._receiver, self._log, self._longest_pause_s, self._clock = receiver, log, longest_pause_s, clock
        known = state is not None and state.receiver == receiver.name
        self._state = state if known and state is not None else ReceiverState(receiver.name)
        self._changed = threading.Condition()
        self._events: dict[int, Waiting] = {}
        self._taken: list[str] = []
        #: Ids that were taken and are not recorded yet; the outbox may hand these again.
        self._unrecorded: set[str] = set()
        self._held: dict[str, _Hold] = {}
        self._away: _Hold | None = None
        self._leaving = False
        self._thread = threading.Thread(target=self._run, name="event delivery", daemon=True)

    def start(self) -> None:
        """Begin to send, in the background."""
        self._thread.start()

    def close(self) -> None:
        """Leave; what is being sent gets a moment for its answer."""
        with self._changed:
            self._leaving = True
            self._changed.notify_all()
        self._thread.join(_LEAVING_S)

    @property
    def room(self) -> int:
        """How many events it holds that no refusal holds back: for the caller to bound."""
        with self._changed:
            return sum(event.subject not in self._held for event in self._events.values())

    def hand(self, events: Sequence[Waiting]) -> None:
        """Send these, too, in this order within each subject; what it has already is not sent twice."""
        with self._changed:
            known = {event.event_id for event in self._events.values()} | self._unrecorded
            self._events |= {event.seq: event for event in events if event.event_id not in known}
            self._changed.notify_all()

    def taken(self) -> list[str]:
        """Return the ids of the events that were taken since the last call."""
        with self._changed:
            told, self._taken = self._taken, []
            return told

    def recorded(self, event_ids: Sequence[str]) -> None:
        """Forget what the outbox does not hold any more."""
        with self._changed:
            self._unrecorded -= set(event_ids)

    @property
    def state(self) -> ReceiverState:
        """How the receiver does."""
        with self._changed:
            return self._state

    def _run(self) -> None:
        while (event := self._next()) is not None:
            try:
                self._receiver.send(event.event_id, event.body.encode())
            except RefusedError as problem:
                self._refused(event, str(problem))
            except AwayError as problem:
                self._failed(str(problem), problem.after_s)
            except Exception as problem:  # noqa: BLE001 - whatever it is, the events are kept and tried again
                self._failed(f"expected {self._receiver.name} to take an event, got {type(problem).__name__}", 0.0)
            else:
                self._took(event)
        self._receiver.close()

    def _next(self) -> Waiting | None:
        """Wait for an event that may be sent now; None when leaving."""
        with self._changed:
            while not self._leaving:
                now = time.monotonic()
                event, wait_s = self._due(now)
                if event is not None:
                    return event
                self._changed.wait(wait_s)
        return None

    def _due(self, now: float) -> tuple[Waiting | None, float | None]:
        if not self._events:
            return None, None
        if self._away is not None and now < self._away.until_s:
            return None, self._away.until_s - now
        seen: set[str] = set()
        soonest: float | None = None
        for seq in sorted(self._events):
            event = self._events[seq]
            if event.subject in seen:
                continue
            seen.add(event.subject)
            hold = self._held.get(event.subject)
            if hold is None or now >= hold.until_s:
                return event, None
            soonest = hold.until_s if soonest is None else min(soonest, hold.until_s)
        return None, None if soonest is None else soonest - now

    def _took(self, event: Waiting) -> None:
        with self._changed:
            del self._events[event.seq]
            self._taken.append(event.event_id)
            self._unrecorded.add(event.event_id)
            self._held.pop(event.subject, None)
            self._away = None
            mended = self._state.failures > 0 and not self._held
            self._state = (
                ReceiverState(self._receiver.name, sent_at=self._clock())
                if not self._held
                else replace(self._state, sent_at=self._clock())
            )
        if mended:
            self._log.info("receiver of events answers again", receiver=self._receiver.name)

    def _refused(self, event: Waiting, sentence: str) -> None:
        with self._changed:
            self._away = None
            before = self._held.get(event.subject)
            failures = 1 if before is None else before.failures + 1
            self._held[event.subject] = _Hold(time.monotonic() + self._pause_s(failures), failures)
        self._note(f"{sentence} for {event.subject}", first=before is None)

    def _failed(self, sentence: str, after_s: float) -> None:
        with self._changed:
            failures = 1 if self._away is None else self._away.failures + 1
            pause_s = max(self._pause_s(failures), after_s)
            self._away = _Hold(time.monotonic() + pause_s, failures)
        self._note(sentence, first=failures == 1)

    def _note(self, sentence: str, *, first: bool) -> None:
        with self._changed:
            self._state = replace(
                self._state,
                failing_since=self._state.failing_since or self._clock(),
                failures=self._state.failures + 1,
                last_error=sentence,
            )
        tell = self._log.warning if first else self._log.debug
        tell("event not taken, it is sent again", reason=sentence)

    def _pause_s(self, failures: int) -> float:
        pause_s = min(_FIRST_PAUSE_S * 2.0 ** min(failures - 1, 30), self._longest_pause_s)
        return pause_s * random.uniform(0.5, 1.0)  # noqa: S311 - it keeps no secret
