"""Long work that comes as a generator of steps, driven to its end with progress on a terminal."""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeVar

from loamline.app.output import progress_bar

Done = TypeVar("Done")


def driven(work: Generator[tuple[str, int, int], None, Done]) -> Done:
    """Return what `work` returns; each of its steps tells the part, how much of it is done, and how much there is."""
    with progress_bar() as shown:
        task = shown.add_task("", total=None)
        while True:
            try:
                part, done, total = next(work)
            except StopIteration as end:
                told: Done = end.value
                return told
            shown.update(task, description=part, completed=done, total=total or None)
