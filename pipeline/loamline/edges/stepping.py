"""Work that comes as a generator of steps, and returns its result."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import TypeVar

Step = TypeVar("Step")
Done = TypeVar("Done")


def result_of(work: Generator[Step, None, Done], each: Callable[[Step], object]) -> Done:
    """Drive `work` to its end, telling `each` of its steps; return what it returns, and raise what it raises."""
    while True:
        try:
            step = next(work)
        except StopIteration as end:
            done: Done = end.value
            return done
        each(step)
