"""The work behind `loamline archive`, for whoever has the store open: a command, or the daemon that a command asked.

Each is a generator that tells of progress after a short step and returns plain data.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import duckdb

from loamline.app.looking import Look
from loamline.app.opening import daemon_of
from loamline.app.output import CommandError, rfc3339
from loamline.app.replay_work import asked, driven, telling
from loamline.app.replaying import ReplayError
from loamline.edges.store.archive import ArchiveError, Moved, Step, archiving, checking, restoring
from loamline.edges.store.archived import ArchivedFile
from loamline.edges.store.connection import Store, StoreError

_Done = TypeVar("_Done")


def done_by(
    path: Path, request: str, work: Callable[[Store], Look], *, writable: bool, **fields: Any
) -> dict[str, Any]:
    """Return what the daemon that has the store open answers to `request`, or what `work` does where there is none.

    Here the store is opened with archived files in their place or not. Raises CommandError with a sentence.
    """
    client = daemon_of(path)
    if client is not None:
        with client, telling() as told:
            answer: dict[str, Any] = asked(client, request, told, **fields)
            return answer
    try:
        with Store.open(path, writable=writable, whole=False) as store, telling() as told:
            answer = driven(work(store), told)
            if writable and answer["rows"]:
                store.con.execute("CHECKPOINT")  # the file gives back the room of what has gone
            return answer
    except (StoreError, ReplayError) as problem:
        raise CommandError(str(problem)) from problem


def running(store: Store, folder: Path, before: str | None, now: datetime) -> Look:
    """Move closed months to files; return the months and their rows."""
    return _totals((yield from _steps(store, archiving(store, folder, now, before))))


def restored(store: Store, month: str | None, *, delete: bool) -> Look:
    """Put months back; return them and their rows."""
    return _totals((yield from _steps(store, restoring(store, month, delete=delete))))


def checked(store: Store) -> Look:
    """Read every file; return how many they and their rows are, and what is wrong, a sentence a file."""
    found = yield from _steps(store, checking(store))
    return {"files": len(store.archived), "rows": sum(file.rows for file in store.archived), "faults": found}


def listed(store: Store) -> Look:
    """Return the archived months with their files."""
    yield from ()
    files = store.archived
    months = sorted({file.month for file in files})
    return {"months": [_month(month, [file for file in files if file.month == month]) for month in months]}


def _month(month: str, files: list[ArchivedFile]) -> dict[str, Any]:
    return {
        "month": month,
        "rows": sum(file.rows for file in files),
        "size_bytes": sum(file.size_bytes for file in files),
        "archived_at": rfc3339(max(file.archived_at for file in files)),
        "files": [
            {"path": str(file.file), "rows": file.rows, "size_bytes": file.size_bytes, "sha256": file.sha256}
            for file in files
        ],
    }


def _totals(moved: list[Moved]) -> dict[str, Any]:
    return {"months": [asdict(month) for month in moved], "rows": sum(month.rows for month in moved)}


def _steps(store: Store, work: Generator[Step, None, _Done]) -> Generator[dict[str, Any], None, _Done]:
    """Tell of each step, and of what goes wrong in a sentence."""
    try:
        while True:
            part, done, total = next(work)
            yield {"part": part, "done": done, "total": total}
    except StopIteration as end:
        result: _Done = end.value
        return result
    except ArchiveError as problem:
        raise ReplayError(str(problem)) from None
    except (OSError, duckdb.Error) as problem:
        first = str(problem).splitlines()[0]
        raise ReplayError(
            f"expected to read and write {store.path} and its archive, got {first}; each uplink stands whole in the "
            "store or in its files: mend the cause, the same command goes on"
        ) from None
    finally:
        work.close()
