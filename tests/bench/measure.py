"""How a figure is measured: two ways of doing one thing by turns, so that a busy machine slows both."""

from __future__ import annotations

import gc
import os
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Cost:
    """What one thing costs at one size: microseconds of `what`, each of `size` of them at once."""

    what: str
    size: int
    us: float


@dataclass(frozen=True)
class Figure:
    """One measured ratio and its goal.

    `ratio` is how many times better the measured way is than the other; `goal` the least that it is meant to be.
    `unit` says of what it is a ratio. `costs` are points of a curve, for `--draw`.
    """

    name: str
    goal: float
    ratio: float
    detail: str
    unit: str = "times as quick"
    costs: tuple[Cost, ...] = ()

    @property
    def met(self) -> bool:
        """Whether the goal is met."""
        return self.ratio >= self.goal


@dataclass(frozen=True)
class Pair:
    """Seconds a unit of the measured way and of the other, and the median of the ratios of their rounds."""

    measured_s: float
    other_s: float
    ratio: float


def by_turns(
    measured: Callable[[], object], units: int, other: Callable[[], object], other_units: int, rounds: int
) -> Pair:
    """Run both ways by turns, `rounds` times after one to warm up; each call does so many units of work."""
    ours, theirs = [], []
    for _ in range(rounds + 1):
        ours.append(seconds(measured) / units)
        theirs.append(seconds(other) / other_units)
    ratios = [b / a for a, b in zip(ours[1:], theirs[1:], strict=True)]
    return Pair(min(ours[1:]), min(theirs[1:]), statistics.median(ratios))


def seconds(work: Callable[[], object]) -> float:
    """Return how long one call takes, with no garbage collection in between."""
    gc.collect()
    gc.disable()
    start = time.perf_counter()
    work()
    elapsed = time.perf_counter() - start
    gc.enable()
    return elapsed


def every_core() -> None:
    """Have what is started from here run on every core, as a daemon and its readers do."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, range(os.cpu_count() or 1))
