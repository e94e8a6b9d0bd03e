"""The daemon's mirror: a thread of its own keeps the Parquet copy of the readings up to date.

It never waits for the thread that stores, nor that for it: each file is read in a short view on a connection of its
own. Which files are done stands in the mirror's manifest alone, so that a run that was broken off, by a stop or a kill,
goes on where it was.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from structlog.typing import FilteringBoundLogger

from loamline.app.instants import ago
from loamline.app.mirroring import LONGEST_STEP_S
from loamline.app.output import rfc3339
from loamline.edges.mirror import MirrorError, MirrorState, mirror_steps, mirrored_at
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline_schemas.settings import MirrorSettings

#: After a run of some length, so many times that length without one: a large store takes a fifth of the time at most.
_TIMES = 4.0
#: After a run that failed; twice as long after each further one, up to the usual pause.
_SHORTEST_PAUSE_S = 30.0
#: A mirror that is older than so many times its usual age is late.
_LATE_TIMES = 3.0
_LEAVE_S = 3.0
_MB = 1_000_000


class MirrorTending:
    """A `loamline.app.tending.Tender`; without settings it does nothing. `state` may be read in any thread."""

    def __init__(
        self,
        settings: MirrorSettings | None,
        log: FilteringBoundLogger,
        *,
        reserve_mb: int = 0,
        shortest_pause_s: float = _SHORTEST_PAUSE_S,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._settings, self._log, self._reserve_mb, self._clock = settings, log, reserve_mb, clock
        self._shortest_pause_s, self._since = shortest_pause_s, clock()
        self._reader = StoreReader(at_once=1, time_limit_s=LONGEST_STEP_S)
        self._store: Store | None = None
        self._stopping, self._open = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None
        self.state: MirrorState | None = None
        if settings is not None:
            self.state = MirrorState(
                str(settings.folder.absolute()), settings.every_minutes, mirrored_at(settings.folder)
            )

    def turn(self, store: Store) -> None:
        """Lend the store to the mirror's thread."""
        if self._settings is None or store is self._store:
            return
        self._store = store
        self._reader.opened(store)
        self._open.set()
        if self._thread is None:
            self._thread = threading.Thread(target=self._keep, args=[self._settings], name="mirror", daemon=True)
            self._thread.start()

    def let_go(self) -> None:
        """Have the store read no more."""
        if self._store is not None:
            self._store = None
            self._open.clear()
            self._reader.closed()

    def leave(self, store: Store | None) -> None:  # noqa: ARG002 - as a tender is called
        """Break a run off, which the next start takes up."""
        self._stopping.set()
        self.let_go()
        self._open.set()
        if self._thread is not None:
            self._thread.join(_LEAVE_S)

    def told(self) -> dict[str, Any]:
        """Return what the daemon's status tells of the mirror; instants are RFC 3339. `late`: older than it should be.

        Without a mirror, nothing.
        """
        state = self.state
        if state is None:
            return {}
        age = self._clock() - (state.mirrored_at or self._since)
        late = age > _LATE_TIMES * timedelta(minutes=state.every_minutes)
        fields = {
            name: value.isoformat() if isinstance(value, datetime) else value for name, value in asdict(state).items()
        }
        return {"mirror": {**fields, "late": late}}

    # The mirror's thread ---------------------------------------------------------------------------------

    def _keep(self, settings: MirrorSettings) -> None:
        pause_s = self._first_pause_s(settings)
        while not self._stopping.wait(pause_s):
            begun_s = time.monotonic()
            error = self._run(settings)
            usual_s = 60 * settings.every_minutes
            took_s = time.monotonic() - begun_s
            if self._stopping.is_set():
                return
            if not self._open.is_set():
                self._open.wait()  # the store is away: that is no fault of the mirror
                pause_s = 0.0
            elif error is None:
                pause_s = max(usual_s - took_s, _TIMES * took_s)
            else:
                failures = self._failed(error)
                pause_s = min(self._shortest_pause_s * 2.0 ** min(failures - 1, 20), usual_s)

    def _first_pause_s(self, settings: MirrorSettings) -> float:
        at = mirrored_at(settings.folder)
        if at is None:
            return 0.0
        due = at + timedelta(minutes=settings.every_minutes)
        return min(max(0.0, (due - self._clock()).total_seconds()), 60 * settings.every_minutes)

    def _run(self, settings: MirrorSettings) -> str | None:
        """Bring the mirror up to date; return why it came to nothing, None where it did not."""
        now = self._clock()
        self._note(running_since=now)
        written = 0
        try:
            with closing(mirror_steps(self._reader.view, settings.folder, now)) as steps:
                for step in steps:
                    written += step.outcome == "written"
                    self._leave_room(settings)
                    if self._stopping.is_set():
                        return None
        except Exception as problem:  # noqa: BLE001 - whatever it was, the daemon goes on, and so does the next run
            return f"{problem}".partition("\n")[0] or type(problem).__name__
        finally:
            self._note(running_since=None)
        self._note(mirrored_at=now, failing_since=None, failures=0, last_error="")
        self._log.info("mirrored", folder=str(settings.folder), written=written)
        return None

    def _leave_room(self, settings: MirrorSettings) -> None:
        """Raise MirrorError where the disk is to be left to whoever takes uplinks."""
        free = shutil.disk_usage(settings.folder).free
        if free < self._reserve_mb * _MB:
            raise MirrorError(
                f"expected {self._reserve_mb} MB (watch.reserve_mb) to be left on the disk of {settings.folder}, "
                f"got {free // _MB}; free some, or put the mirror elsewhere"
            )

    def _failed(self, error: str) -> int:
        state = self.state
        failures = 1 if state is None else state.failures + 1
        if state is None or state.last_error != error:
            self._log.warning("the mirror could not be brought up to date, it is tried again", reason=error)
        since = self._clock() if state is None or state.failing_since is None else state.failing_since
        self._note(failing_since=since, failures=failures, last_error=error)
        return failures

    def _note(self, **fields: Any) -> None:
        if self.state is not None:
            self.state = replace(self.state, **fields)


def mirror_in_words(told: dict[str, Any]) -> str:
    """Return the field `mirror` of the daemon's status in words."""
    words = f"{told['folder']}, of {_when(told['mirrored_at'])}" + (", LATE" if told["late"] else "")
    if told["running_since"] is not None:
        words += f", a run is at work since {_when(told['running_since'])}"
    if told["failing_since"] is not None:
        words += f"; FAILING since {_when(told['failing_since'])}: {told['last_error']}"
    return words


def _when(text: str | None) -> str:
    if text is None:
        return "no time yet: it is not whole"
    at = datetime.fromisoformat(text)
    return f"{rfc3339(at.replace(microsecond=0))} ({ago(datetime.now(UTC) - at)})"
