"""The sign of life of the thread that stores: given by that thread alone, so that nothing else can pass for it."""

from __future__ import annotations

import time
from collections.abc import Callable

from loamline.edges.service_notify import notify, watchdog_s

#: A commit that folds a long write-ahead log into the file takes seconds; beyond this the thread hangs.
ALIVE_WITHIN_S = 60.0


class Pulse:
    """When the thread that stores last came round, and what it tells the service manager."""

    def __init__(
        self,
        *,
        tell: Callable[[str], object] = notify,
        watchdog: Callable[[], float | None] = watchdog_s,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._tell, self._clock = tell, clock
        wanted_s = watchdog()
        # Twice as often as is asked for, which sd_watchdog_enabled(3) recommends.
        self._every_s = None if wanted_s is None else wanted_s / 2
        self._beat_at = self._told_at = clock()
        #: Of the last commit, seconds.
        self.commit_s = 0.0
        #: How often a commit failed and the store was opened again for it.
        self.failures = 0

    @property
    def alive(self) -> bool:
        """Whether the thread came round lately."""
        return self._clock() - self._beat_at < ALIVE_WITHIN_S

    def beat(self) -> None:
        """Come round."""
        self._beat_at = now = self._clock()
        if self._every_s is not None and now - self._told_at >= self._every_s:
            self._told_at = now
            self._tell("WATCHDOG=1")

    def ready(self) -> None:
        """Tell that the store is open and that every way in was begun."""
        self._tell("READY=1\nSTATUS=storing what comes in")

    def leaving(self) -> None:
        """Tell that what is queued is stored, and nothing more."""
        self._tell("STOPPING=1\nSTATUS=storing what is queued")
