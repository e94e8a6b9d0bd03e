"""Several curves side by side: what each gives for the same input, and how far the others stand from the first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loamline.core.calibration import apply_curves
from loamline.core.columns import Floats
from loamline_schemas.curves import Curve

#: Inputs at which the difference of two curves is summed up: evenly over what they share.
SAMPLES = 2001
#: A table has about so many rows, apart from the ends of domains.
_ROWS = 16


@dataclass(frozen=True)
class Difference:
    """A curve less the first one, over the inputs that both are made for; in the unit of their output.

    `greatest` keeps its sign and stands at the input `at`.
    """

    shared_domain: tuple[float, float]
    mean: float
    root_mean_square: float
    greatest: float
    at: float


def outputs(curves: Sequence[Curve], x: Floats, soil_temperature_degc: float) -> Floats:
    """Return each curve's output at each input, shape (curves, m), NaN outside a curve's own domain."""
    degc = np.full(len(x), soil_temperature_degc)
    which = np.zeros(len(x), dtype=np.int64)
    return np.array([apply_curves(x, which, [curve], degc)[0] for curve in curves]).reshape(len(curves), len(x))


def whole_domain(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return the lowest and highest input that any of the curves is made for."""
    return min(curve.domain[0] for curve in curves), max(curve.domain[1] for curve in curves)


def shared_domain(curves: Sequence[Curve]) -> tuple[float, float] | None:
    """Return between which inputs all curves hold; None where there is no such span."""
    low, high = max(curve.domain[0] for curve in curves), min(curve.domain[1] for curve in curves)
    return (low, high) if low < high else None


def difference(curve: Curve, first: Curve, soil_temperature_degc: float) -> Difference | None:
    """Return how far a curve stands from the first one; None where their domains have nothing in common."""
    shared = shared_domain([curve, first])
    if shared is None:
        return None
    x = np.linspace(*shared, SAMPLES)
    mine, its = outputs([curve, first], x, soil_temperature_degc)
    apart = mine - its
    greatest = int(np.argmax(np.abs(apart)))
    return Difference(
        shared_domain=shared,
        mean=float(np.mean(apart)),
        root_mean_square=math.sqrt(float(np.mean(apart * apart))),
        greatest=float(apart[greatest]),
        at=float(x[greatest]),
    )


def table_inputs(curves: Sequence[Curve]) -> Floats:
    """Return the inputs of a table: round figures all over the curves' domains, and every end of a domain."""
    low, high = whole_domain(curves)
    step = _round_step((high - low) / _ROWS)
    multiples = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
    ends = [end for curve in curves for end in curve.domain]
    return np.unique(np.concatenate([np.round(multiples, 12), ends]))


def _round_step(about: float) -> float:
    """Return 1, 2 or 5 times a power of ten, nearest above."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= about * 0.999)
