"""Who does the work of a `loamline replay` command: the daemon that has the store open, else this process.

Both ways give the same plain data, and tell how far they are by the same words.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

import duckdb

from loamline.app import replaying
from loamline.app.codecs import known_codecs, none_beside_a_daemon
from loamline.app.looking import Look, Taker, previewing
from loamline.app.opening import daemon_of, open_store
from loamline.app.output import CommandError, progress_bar
from loamline.app.replaying import Applied, Progress, ReplayError, Scope
from loamline.edges.control import ControlError
from loamline.edges.control_client import ControlClient
from loamline.edges.handed_over import compared_rows
from loamline.edges.stepping import result_of
from loamline.edges.store.connection import Store
from loamline.edges.store.replay import Deriver, derive_here
from loamline.edges.store.revisions import revision_rows

#: How a shell tells that a command was interrupted.
INTERRUPTED = 130
#: Told of progress: which part of the work, how much is done, of how much.
Told = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Wanted:
    """What is wanted of a preview's rows: the file by which a daemon hands them over; of changed probes all rows?"""

    file: Path | None = None
    whole_probes: bool = False


class Work(Protocol):
    """What can be asked. Each raises CommandError with a sentence."""

    def plan(self, scope: Scope, told: Told) -> dict[str, Any]:
        """Return `Plan.as_fields`."""

    def preview(self, scope: Scope, told: Told, takers: Sequence[Taker], wanted: Wanted) -> dict[str, Any]:
        """Return what `previewing` returns; `takers` are given the rows chunk by chunk."""

    def apply(self, scope: Scope, reason: str, by: str, told: Told) -> Applied:
        """Recalculate what is stale."""

    def undo(self, revision: int | None, told: Told) -> Applied:
        """Take a revision back."""

    def revisions(self) -> list[dict[str, Any]]:
        """Return the columns of REVISION, a dict a row, the oldest first."""


@dataclass(frozen=True)
class Here:
    """The work done by this process."""

    store: Path
    codec_dirs: Sequence[Path] | None
    deriver: Deriver = derive_here

    def plan(self, scope: Scope, told: Told) -> dict[str, Any]:
        """Return `Plan.as_fields`."""
        codecs = known_codecs(self.codec_dirs)
        with self._open(writable=False) as store:
            found = replaying.plan_now(store, codecs, scope, lambda done, total: told("planning", done, total))
        return found.as_fields()

    def preview(self, scope: Scope, told: Told, takers: Sequence[Taker], wanted: Wanted) -> dict[str, Any]:  # noqa: ARG002
        """Return what `previewing` returns."""
        codecs = known_codecs(self.codec_dirs)
        with self._open(writable=False) as store:
            return driven(previewing(store, codecs, scope, takers), told)

    def apply(self, scope: Scope, reason: str, by: str, told: Told) -> Applied:
        """Recalculate what is stale."""
        codecs = known_codecs(self.codec_dirs)
        with self._open() as store:
            now = datetime.now(UTC)
            return _drive(replaying.applying(store, codecs, scope, reason, by, now, deriver=self.deriver), told)

    def undo(self, revision: int | None, told: Told) -> Applied:
        """Take a revision back."""
        codecs = known_codecs(self.codec_dirs)
        with self._open() as store:
            return _drive(replaying.undoing(store, codecs, revision), told)

    def revisions(self) -> list[dict[str, Any]]:
        """Return the columns of REVISION, a dict a row."""
        with self._open(writable=False) as store:
            return [vars(row) for row in revision_rows(store)]

    @contextmanager
    def _open(self, *, writable: bool = True) -> Iterator[Store]:
        with told_in_a_sentence(self.store), open_store(self.store, writable=writable) as store:
            yield store


@dataclass(frozen=True)
class ByDaemon:
    """The work done by the running daemon, with the codecs that it knows."""

    client: ControlClient

    def plan(self, scope: Scope, told: Told) -> dict[str, Any]:
        """Return `Plan.as_fields`."""
        found: dict[str, Any] = self._ask("replay_plan", told, **scope.as_fields())
        return found

    def preview(self, scope: Scope, told: Told, takers: Sequence[Taker], wanted: Wanted) -> dict[str, Any]:
        """Return what `previewing` returns."""
        try:
            found: dict[str, Any] = self._ask("replay_preview", told, **scope.as_fields(), **vars(wanted))
            if wanted.file is not None:
                for compared in compared_rows(wanted.file):
                    for take in takers:
                        take(*compared)
        finally:
            if wanted.file is not None:
                wanted.file.unlink(missing_ok=True)
        for place in found["report"]:
            for name in ("first_measured_at", "last_measured_at"):
                place[name] = None if place[name] is None else datetime.fromisoformat(place[name]).astimezone(UTC)
        return found

    def apply(self, scope: Scope, reason: str, by: str, told: Told) -> Applied:
        """Recalculate what is stale."""
        return _applied(self._ask("replay_apply", told, **scope.as_fields(), reason=reason, asked_by=by))

    def undo(self, revision: int | None, told: Told) -> Applied:
        """Take a revision back."""
        return _applied(self._ask("replay_undo", told, revision=revision))

    def revisions(self) -> list[dict[str, Any]]:
        """Return the columns of REVISION, a dict a row."""
        rows: list[dict[str, Any]] = self._ask("replay_list", lambda *_: None)
        for row in rows:
            for name in ("asked_at", "published_at", "undone_at"):
                row[name] = None if row[name] is None else datetime.fromisoformat(row[name]).astimezone(UTC)
        return rows

    def _ask(self, request: str, told: Told, **fields: Any) -> Any:
        try:
            return asked(self.client, request, told, **fields)
        except KeyboardInterrupt:
            if request not in ("replay_apply", "replay_undo"):
                raise
            raise CommandError(
                "interrupted: the daemon goes on with it; `loamline replay list` shows how far it is", INTERRUPTED
            ) from None


@contextmanager
def at_work(store: Path, codec_dirs: Sequence[Path] | None = None, deriver: Deriver = derive_here) -> Iterator[Work]:
    """Yield the daemon that has `store` open, else this process; only in this one `deriver` can run the chain."""
    client = daemon_of(store)
    if client is None:
        yield Here(store, codec_dirs, deriver)
        return
    with client:
        if deriver is not derive_here:
            raise CommandError(
                "expected neither --engine nor --workers, since the daemon that has the store open does the work; "
                "stop it first",
                2,
            )
        none_beside_a_daemon(codec_dirs)
        yield ByDaemon(client)


def asked(client: ControlClient, request: str, told: Told, **fields: Any) -> Any:
    """Return what the daemon answers. Raises CommandError with its sentence."""

    def heard(progress: dict[str, Any]) -> None:
        told(str(progress.get("part", "waiting")), progress.get("done", 0), progress.get("total", 0))

    try:
        return client.answer(request, heard, **fields)
    except ControlError as problem:
        raise CommandError(str(problem)) from problem


def driven(look: Look, told: Told) -> dict[str, Any]:
    """Do what a look does, in this process, and return its result."""
    done: dict[str, Any] = result_of(look, lambda step: told(step["part"], step["done"], step["total"]))
    return done


@contextmanager
def telling() -> Iterator[Told]:
    """Yield what shows progress, with an estimate of the time left, on a terminal."""
    with progress_bar() as shown:
        tasks: dict[str, Any] = {}

        def told(part: str, done: int, total: int) -> None:
            if part not in tasks:
                for task in tasks.values():
                    shown.update(task, visible=False)
                tasks[part] = shown.add_task(part, total=None)
            shown.update(tasks[part], completed=done, total=total or None)

        yield told


@contextmanager
def told_in_a_sentence(store: Path) -> Iterator[None]:
    """Tell what can go wrong with a store, or with what was asked of it, in a sentence."""
    try:
        yield
    except ReplayError as problem:
        raise CommandError(str(problem)) from problem
    except duckdb.Error as problem:
        first = str(problem).splitlines()[0]
        raise CommandError(
            f"expected to read and write {store}, got {first}; what was published is whole, the same command goes on"
        ) from problem


def _drive(work: Generator[Progress, None, Applied], told: Told) -> Applied:
    return result_of(work, lambda step: told(step.part, step.done, step.total))


def _applied(told: dict[str, Any]) -> Applied:
    return Applied(told["revision"], told["changed"] or 0, told.get("resumed"))
