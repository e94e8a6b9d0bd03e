"""The canary: a message that the daemon sends itself through the broker, as proof that the way in is open.

A subscription that the broker denies, a session that it stalls, a connection that is dead: all of them look like a
quiet afternoon. Only a message that has to come and does not tells them apart. It goes with QoS 1, through the same
session and the same window as uplinks do.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from loamline.edges.messages import Incoming
from loamline_schemas.settings import WatchSettings

#: After so many in a row that did not come back, the waits grow no more.
_MOST_DOUBLINGS = 4


class Canary:
    """One canary at a time through one connection. Times are those of `clock`, seconds.

    `due` and `overdue` belong to the thread that stores, all else to the network's.
    """

    def __init__(self, watch: WatchSettings, client_id: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.topic = f"{watch.canary_topic}/{quote(client_id, safe='')}"
        self._prefix = f"{watch.canary_topic}/"
        self._every_s, self._timeout_s, self._clock = watch.canary_every_s, watch.canary_timeout_s, clock
        self._lock = threading.Lock()
        self._number = 0
        self._flying = self._denied = False
        self._next_at: float | None = None
        self._sent_at = self._alive_at = 0.0
        self._missed = 0
        #: How long the last one took that came back, seconds.
        self.round_trip_s: float | None = None
        #: How many did not come back, since the start.
        self.lost = 0

    @property
    def missing(self) -> bool:
        """Whether the last one did not come back."""
        return self._missed > 0

    def state(self) -> dict[str, Any]:
        """Return how canaries fare."""
        return {"round_trip_s": self.round_trip_s, "lost": self.lost, "missing": self.missing}

    def is_one(self, topic: str) -> bool:
        """Return whether a topic is that of a canary, of whichever daemon: a wide topic filter takes them in, too."""
        return topic.startswith(self._prefix)

    def granted(self) -> None:
        """Begin on a connection whose subscription stands: at once, later where canaries were lost before."""
        with self._lock:
            later = self._every_s * 2 ** (min(self._missed, _MOST_DOUBLINGS) - 1) if self._missed else 0.0
            self._next_at = None if self._denied else self._clock() + later

    def denied(self) -> None:
        """Send none any more: the broker says that we may not, and may hang up on us each time."""
        with self._lock:
            self._denied, self._flying, self._next_at = True, False, None

    def ended(self) -> bool:
        """Send none until `granted`; return whether one was on its way, which may be why the connection ended."""
        with self._lock:
            flying, self._flying, self._next_at = self._flying, False, None
            self._missed += flying
            self.lost += flying
            return flying

    def due(self) -> bytes | None:
        """Return what to publish now, if anything; it counts as sent."""
        with self._lock:
            now = self._clock()
            if self._flying or self._next_at is None or now < self._next_at:
                return None
            self._number += 1
            self._flying, self._next_at = True, now + self._every_s
            self._sent_at = self._alive_at = now
            return str(self._number).encode()

    def traffic(self) -> None:
        """Take note that something came or was acknowledged: what comes behind a backlog is late, not lost."""
        self._alive_at = self._clock()

    def heard(self, payload: bytes) -> bool:
        """Take in a canary; return whether it is the one that is awaited."""
        with self._lock:
            if not self._flying or payload != str(self._number).encode():
                return False
            self._flying, self._missed = False, 0
            self.round_trip_s = self._clock() - self._sent_at
            return True

    def overdue(self, waiting: int) -> float | None:
        """Return after how many seconds one is given up, now; None where there is still hope, or it is back.

        While `waiting` messages of this way in are not stored yet it is we who hold things up, not the broker.
        """
        with self._lock:
            if waiting:
                self._alive_at = self._clock()
            if not self._flying or self._clock() - self._alive_at < self._timeout_s:
                return None
            self._flying = False
            self._missed += 1
            self.lost += 1
            return self._clock() - self._sent_at


def no_uplinks(_content: bytes, _source: str) -> list[Incoming]:
    """Read a canary: it holds none."""
    return []
