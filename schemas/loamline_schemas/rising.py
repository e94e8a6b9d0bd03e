"""Whether a polynomial rises all the way through an interval: by the roots of its derivative, not by sampling."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

#: A slope this far under zero, relative to the steepest, is rounding: a curve with a level point still rises.
_ROUNDING = 1e-12


def value(ascending: Sequence[float], x: float) -> float:
    """Return the polynomial's value at x."""
    total = 0.0
    for coefficient in reversed(ascending):
        total = total * x + coefficient
    return total


def derivative(ascending: Sequence[float]) -> tuple[float, ...]:
    """Return the derivative's coefficients, ascending powers."""
    return tuple(power * coefficient for power, coefficient in enumerate(ascending))[1:]


def crossings(ascending: Sequence[float], low: float, high: float) -> list[float]:
    """Return where in [low, high] the polynomial crosses zero, ascending.

    Between two crossings of its derivative a polynomial is monotone, so that a bisection finds the one root there.
    """
    if len(ascending) < 2:
        return []
    edges = [low, *crossings(derivative(ascending), low, high), high]
    return [
        _bisected(ascending, left, right)
        for left, right in pairwise(edges)
        if value(ascending, left) * value(ascending, right) < 0
    ]


def _bisected(ascending: Sequence[float], left: float, right: float) -> float:
    falls = value(ascending, left) > 0
    while left < (middle := left + (right - left) / 2) < right:
        if (value(ascending, middle) > 0) == falls:
            left = middle
        else:
            right = middle
    return middle


def not_rising(ascending: Sequence[float], low: float, high: float) -> str | None:
    """Return how a polynomial fails to increase strictly over [low, high], such as "turns at 42.6"; None if it doesn't.

    Its slope is least at an end of the interval or where the slope's own derivative crosses zero.
    """
    slope = derivative(ascending)
    slopes = [value(slope, x) for x in (low, *crossings(derivative(slope), low, high), high)]
    if not all(math.isfinite(one) for one in slopes):
        return "has no finite slope"
    steepest = max(slopes)
    if steepest <= 0:
        return "falls" if min(slopes) < 0 else "is constant"
    if min(slopes) >= -_ROUNDING * steepest:
        return None
    turns = crossings(slope, low, high)
    return f"turns at {turns[0]:.4g}" if turns else "falls"
