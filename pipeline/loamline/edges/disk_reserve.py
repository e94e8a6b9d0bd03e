"""The room on the store's disk that is never used up: under it nothing is taken in.

What was taken can then still be stored, and the write-ahead log folded into the file, which needs room. Failing in
the middle of that would close the store (DuckDB calls it fatal).
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from structlog.typing import FilteringBoundLogger

_MB = 1_000_000
_LOOK_S = 1.0
#: Intake goes on with this share of the reserve to spare, or it would go on and off by the minute.
_SPARE = 10


class DiskReserve:
    """Whether there is room on the disk of `folder`: looked up once a second at most, told when it changes."""

    def __init__(
        self,
        folder: Path,
        reserve_mb: int,
        log: FilteringBoundLogger,
        *,
        free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.reserve_bytes = reserve_mb * _MB
        self._folder, self._log, self._free_bytes, self._clock = folder, log, free_bytes, clock
        self._looked_at: float | None = None
        self._room = True

    @property
    def free_bytes(self) -> int | None:
        """How much is free now; None where nobody can tell."""
        try:
            return self._free_bytes(self._folder)
        except OSError:
            return None

    @property
    def room(self) -> bool:
        """What `look` found last."""
        return self._room

    def look(self) -> bool:
        """Return whether anything may be taken in."""
        now = self._clock()
        if self._looked_at is not None and now - self._looked_at < _LOOK_S:
            return self._room
        self._looked_at = now
        free = self.free_bytes
        if free is None or not self.reserve_bytes:
            return self._room
        room = free >= self.reserve_bytes + (0 if self._room else self.reserve_bytes // _SPARE)
        if room != self._room:
            self._room = room
            told = {"free_mb": free // _MB, "reserve_mb": self.reserve_bytes // _MB, "folder": str(self._folder)}
            if room:
                self._log.info("room on the disk again, taking messages", **told)
            else:
                hint = "free some; what comes waits with whoever sends it"
                self._log.error("the disk is almost full, nothing is taken until there is room", **told, hint=hint)
        return self._room
