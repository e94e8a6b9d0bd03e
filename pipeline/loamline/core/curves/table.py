"""Laboratory points, joined by a curve that keeps their shape: it never overshoots, and goes through every point.

Piecewise cubic Hermite interpolation, monotone where the points are: Fritsch & Butland 1984, SIAM J. Sci. Stat.
Comput. 5:300-304, in SciPy's form (`scipy.interpolate.PchipInterpolator`). SciPy gives the pieces; they are evaluated
here by Horner's rule, piece by row, so that a figure doesn't depend on the others in its batch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from loamline.core.columns import Floats, Ints

Points = tuple[tuple[float, float], ...]


def table_value(points: Points, x: Floats) -> Floats:
    """Return the curve through `points` (increasing in both columns) at `x`, shape (m,).

    `x` lies within the points, which is for the caller to see to; NaN gives NaN.
    """
    knots, (cubic, square, linear, constant) = _pieces(points)
    piece, along = _place(knots, x)
    return np.asarray(((cubic[piece] * along + square[piece]) * along + linear[piece]) * along + constant[piece])


def table_slope(points: Points, x: Floats) -> Floats:
    """Return the curve's first derivative at `x`, shape (m,): 0 or more."""
    knots, (cubic, square, linear, _) = _pieces(points)
    piece, along = _place(knots, x)
    return np.asarray((3 * cubic[piece] * along + 2 * square[piece]) * along + linear[piece])


@dataclass(frozen=True)
class Piece:
    """The cubic between two neighbouring points, in u = x - `start`; `coefficients` by descending power."""

    first: tuple[float, float]
    last: tuple[float, float]
    start: float
    coefficients: tuple[float, float, float, float]


def piece_at(points: Points, x: float) -> Piece:
    """Return the piece that gives the curve's value at one `x` within the points; the last point is its own piece."""
    knots, coefficients = _pieces(points)
    (piece,), _ = _place(knots, np.array([x]))
    cubic, square, linear, constant = coefficients[:, piece].tolist()
    last = points[min(int(piece) + 1, len(points) - 1)]
    return Piece(points[int(piece)], last, float(knots[piece]), (cubic, square, linear, constant))


def _place(knots: Floats, x: Floats) -> tuple[Ints, Floats]:
    """Return the piece each x falls in, and how far it stands from that piece's beginning."""
    piece = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 1)
    return piece, x - knots[piece]


@lru_cache(maxsize=256)
def _pieces(points: Points) -> tuple[Floats, Floats]:
    """Return the points' x, shape (n,), and by descending power each piece's coefficients, shape (4, n).

    The last point is a piece of its own, of no length, so that it comes out as exactly as the others.
    """
    # Half a second, for nothing where no curve is a table.
    from scipy.interpolate import PchipInterpolator  # noqa: PLC0415 - see above

    x, y = np.array(points, dtype=np.float64).T
    spline = PchipInterpolator(x, y)
    last = np.array([[0.0], [0.0], [float(spline.derivative()(x[-1]))], [y[-1]]])
    coefficients = np.hstack([spline.c, last])
    x = np.ascontiguousarray(x)
    for shared in (x, coefficients):
        shared.setflags(write=False)
    return x, coefficients
