"""Long work that comes as a generator of steps, driven to its end with progress on a terminal."""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeVar

from loamline.app.replay_work import telling
from loamline.edges.stepping import result_of

Done = TypeVar("Done")


def driven(work: Generator[tuple[str, int, int], None, Done]) -> Done:
    """Return what `work` returns; each of its steps tells the part, how much of it is done, and how much there is."""
    with telling() as told:
        return result_of(work, lambda step: told(*step))
