"""The daemon's desk: requests from the control socket, answered between two commits by the thread that stores.

Of long work one step is done at a time, so that no message waits longer than a step. Nothing that goes wrong here
stops the daemon: it is told to whoever asked, and logged.
"""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import duckdb
from structlog.typing import FilteringBoundLogger

from loamline.app.replaying import ReplayError
from loamline.app.requests import Answer, HandedOver, Work, finishing, read_request
from loamline.edges.control import ControlError
from loamline.edges.control_caller import Taker
from loamline.edges.store.connection import Store
from loamline.edges.store.lending import Lender
from loamline.edges.store.revisions import unfinished
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet


class Asker(Protocol):
    """Whoever waits for an answer; `loamline.edges.control.Caller` is one."""

    gone: bool

    def progress(self, told: dict[str, Any]) -> None:
        """Tell how far it is."""

    def result(self, told: Any) -> None:
        """Answer."""

    def error(self, sentence: str) -> None:
        """Answer that it came to nothing."""

    def hand_over(self, told: Any, taker: Taker) -> None:
        """Answer, and leave the connection to `taker`."""


class Requests(Protocol):
    """Where requests come from; `loamline.edges.control.ControlServer` is one."""

    def start(self) -> None:
        """Begin to listen. Raises ControlError."""

    def next_request(self) -> tuple[Asker, dict[str, Any]] | None:
        """Return the oldest request that waits."""

    def close(self) -> None:
        """Listen no more."""


@dataclass
class _Job:
    name: str
    asker: Asker | None
    answer: Callable[[Work], Answer]
    goes_on: bool
    running: Answer | None = None
    longest_step_ms: float = 0.0


class Desk:
    """Answers requests for an open store. All of it belongs to the thread that opened the store."""

    def __init__(
        self,
        *,
        codecs: CodecSet,
        requests: Requests | None,
        log: FilteringBoundLogger,
        counts: Callable[[], dict[str, Any]],
        about: Callable[[Store], dict[str, Any]] = lambda _store: {},
        reload: Callable[[], dict[str, Any]] | None = None,
    ) -> None:
        self._codecs, self._requests, self._log, self._counts = codecs, requests, log, counts
        self._about, self._reload = about, reload
        self._lender = Lender(self._given_back)
        self._work: Work | None = None
        self._job: _Job | None = None
        self._waiting: deque[_Job] = deque()
        self._progress: dict[str, Any] = {}

    @property
    def busy(self) -> bool:
        """Whether there is a step to do."""
        return self._work is not None and (self._job is not None or bool(self._waiting))

    @property
    def job(self) -> str | None:
        """The name of what is being worked on, step by step. Safe in any thread."""
        job = self._job
        return None if job is None else job.name

    def listen(self) -> None:
        """Begin to take requests; where that can't be, say so and do without."""
        if self._requests is not None:
            try:
                self._requests.start()
            except ControlError as problem:
                self._log.warning("no control socket", reason=str(problem))
                self._requests = None

    def opened(self, store: Store, writer: Writer) -> None:
        """Work on this store from now on; a revision that somebody left unfinished goes on by itself."""
        self._work = Work(store, writer, self._codecs, self._status, self._reload, self._lender)
        left = unfinished(store)
        if left is not None:
            number = left.revision_id
            self._log.info("resuming a revision", revision=number, step=left.step)
            self._waiting.appendleft(
                _Job(f"revision {number}", None, lambda work: finishing(work, number), goes_on=True)
            )

    def use_codecs(self, codecs: CodecSet) -> None:
        """Answer by other codecs from now on; what is at work goes on by those it began with."""
        self._codecs = codecs
        if self._work is not None:
            self._work = replace(self._work, codecs=codecs)

    def closed(self, reason: str) -> None:
        """Give up what was being answered, with a sentence; what was begun of a revision goes on at `opened`."""
        self._work = None
        self._lender.closed(reason)
        jobs = [self._job, *self._waiting] if self._job is not None else [*self._waiting]
        self._job, self._progress = None, {}
        self._waiting.clear()
        for job in jobs:
            if job.running is not None:
                with contextlib.suppress(Exception):  # the store that it was using is gone
                    job.running.close()
            self._tell_error(job, f"{reason}; what was begun of a revision goes on when the daemon is up again")
        while self._requests is not None and (found := self._requests.next_request()) is not None:
            found[0].error(reason)

    def close(self) -> None:
        """Take no more requests."""
        if self._requests is not None:
            self._requests.close()

    def turn(self) -> None:
        """Answer what is short, and do one step of what is long."""
        if self._work is None:
            return
        self._lender.look_after()
        while self._requests is not None and (found := self._requests.next_request()) is not None:
            self._receive(*found)
        if self._job is None and self._waiting:
            self._job = self._waiting.popleft()
        if self._job is not None and not self._step(self._job, self._work):
            self._job, self._progress = None, {}

    def _receive(self, asker: Asker, told: dict[str, Any]) -> None:
        try:
            kind, form = read_request(told)
        except ValueError as problem:
            asker.error(str(problem))
            return
        job = _Job(form.request, asker, lambda work: kind.answer(work, form), kind.goes_on)
        self._log.info("asked", request=job.name)
        if kind.job:
            if self._job is not None or self._waiting:
                asker.progress({"part": "waiting", "behind": (self._job or self._waiting[-1]).name})
            self._waiting.append(job)
        elif self._work is not None:
            while self._step(job, self._work):
                pass

    def _step(self, job: _Job, work: Work) -> bool:
        """Do one step; return whether there is more."""
        if job.asker is not None and job.asker.gone:
            self._log.info("nobody waits for the answer any more", request=job.name, goes_on=job.goes_on)
            job.asker = None
            if not job.goes_on:
                if job.running is not None:
                    job.running.close()
                return False
        start = time.monotonic()
        try:
            if job.running is None:
                job.running = job.answer(work)
            self._progress = next(job.running)
        except StopIteration as end:
            self._log.info("answered", request=job.name, longest_step_ms=self._timed(job, start))
            self._answer(job, end.value)
            return False
        except ReplayError as problem:
            self._tell_error(job, str(problem))
            return False
        except Exception as problem:  # noqa: BLE001 - no request may stop the daemon
            self._failed(job, problem, work)
            return False
        self._timed(job, start)
        if job.asker is not None:
            job.asker.progress(self._progress)
        return True

    def _answer(self, job: _Job, told: Any) -> None:
        if isinstance(told, HandedOver):
            if job.asker is None:
                told.taker(None)
            else:
                job.asker.hand_over(told.told, told.taker)
        elif job.asker is not None:
            job.asker.result(told)

    def _given_back(self, reason: str | None) -> None:
        """Say what became of a view that was lent; called by other threads, too."""
        if reason is None:
            self._log.info("a lent view was given back")
        else:
            self._log.info("took a lent view back", sentence=reason)

    def _timed(self, job: _Job, start: float) -> float:
        job.longest_step_ms = max(job.longest_step_ms, round(1000 * (time.monotonic() - start), 1))
        return job.longest_step_ms

    def _failed(self, job: _Job, problem: Exception, work: Work) -> None:
        first = (str(problem).splitlines() or ["no reason"])[0]
        sentence = f"expected to finish {job.name}, got {type(problem).__name__}: {first}; please report this"
        self._log.error("could not answer", request=job.name, reason=sentence)
        self._tell_error(job, sentence)
        with contextlib.suppress(duckdb.Error):  # of a store that is gone the next commit will tell
            work.writer.reload()

    def _tell_error(self, job: _Job, sentence: str) -> None:
        self._log.info("answered with an error", request=job.name, sentence=sentence)
        if job.asker is not None:
            job.asker.error(sentence)

    def _status(self) -> dict[str, Any]:
        job = self._job
        return {
            "counts": self._counts(),
            "job": None if job is None else {"request": job.name, **self._progress},
            "waiting": [job.name for job in self._waiting],
            "views_lent": self._lender.lent,
            **(self._about(self._work.store) if self._work is not None else {}),
        }
