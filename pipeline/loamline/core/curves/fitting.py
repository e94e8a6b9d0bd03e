"""A soil curve from laboratory points: a least-squares polynomial, or a monotone table through the points themselves.

**Polynomial.** Ordinary least squares of water content on permittivity, solved in Chebyshev polynomials over the
span of the points, where the equations are well conditioned, and then written in powers. With p coefficients and n
points the standard error is sqrt(sum of squared residuals / (n - p)), with n - p degrees of freedom (textbook
regression). The leave-one-out error is the root mean square of what each point misses a curve by that was fitted
without it, for which no second fit is needed: residual / (1 - leverage) (Allen 1974, Technometrics 16:125-127; MEMORY).

**Table.** Points of equal permittivity are averaged, and the shape-preserving interpolation of `table` joins them. Such
a curve goes through its points and leaves no residuals but the scatter of repeated ones. Its leave-one-out error is how
far the points, one permittivity after the other, miss the table made of the others; the two ends can't be left out,
since nothing is extrapolated. Its standard error is the greater of that and the scatter.

A curve that doesn't increase from its first point to its last is refused: it would give one water content for two
permittivities.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial, chebyshev

from loamline.core.columns import Floats, Ints
from loamline.core.curves.polynomials import polynomial
from loamline.core.curves.table import Points, table_value
from loamline_schemas.rising import not_rising

#: What `kinds` a fit may be of.
FIT_KINDS = ("polynomial", "table")
#: Without a degree told, the best of these; the published curves of soil have 3 at most.
TRIED_DEGREES = (1, 2, 3)
#: A curve declares 12 coefficients at most.
MOST_DEGREES = 11
#: Scatter under this is arithmetic, not soil: laboratories weigh to about 0.001 m3/m3.
LEAST_ERROR_M3_M3 = 1e-6
#: A point with a leverage nearer to 1 than this is alone in determining a coefficient.
_ROUNDING = 1e-9


class FitError(ValueError):
    """Points that give no usable curve; the message says what was expected, what came and what to do.

    `why` says the same in a few words, for a list of attempts.
    """

    def __init__(self, message: str, why: str) -> None:
        super().__init__(message)
        self.why = why


@dataclass(frozen=True)
class Fit:
    """A fitted soil curve and how well it holds the n points, in the order in which they were given.

    `coefficients`: ascending powers, of a polynomial only. `points`: of a table only. `domain`: the span of the
    points. `residuals_m3_m3`: measured less fitted, shape (n,). `left_out_m3_m3`: measured less what the curve
    without that point gives, shape (n,), NaN where there is no such curve. `residual_standard_error_m3_m3`: by the
    degrees of freedom; of a table, the scatter of repeated points about their mean. The errors are None where
    the points can't tell them.
    """

    kind: str
    coefficients: tuple[float, ...]
    points: Points
    domain: tuple[float, float]
    residuals_m3_m3: Floats
    left_out_m3_m3: Floats
    degrees_of_freedom: int
    residual_standard_error_m3_m3: float | None
    leave_one_out_error_m3_m3: float | None

    @property
    def degree(self) -> int | None:
        """The polynomial's degree, None of a table."""
        return len(self.coefficients) - 1 if self.coefficients else None

    @property
    def standard_error_m3_m3(self) -> float | None:
        """What a reading by this curve is uncertain by; None where the points can't tell, or scatter not at all."""
        told = [self.residual_standard_error_m3_m3]
        if not self.coefficients:
            told.append(self.leave_one_out_error_m3_m3)
        greatest = max((error for error in told if error is not None), default=0.0)
        return greatest if greatest >= LEAST_ERROR_M3_M3 else None

    def evaluate(self, permittivity: Floats) -> Floats:
        """Return the fitted water content within the domain, m3/m3, shape of `permittivity`."""
        if self.coefficients:
            return polynomial(self.coefficients, permittivity)
        return table_value(self.points, permittivity)


def fit_polynomial(permittivity: Floats, vwc_m3_m3: Floats, degree: int) -> Fit:
    """Return the least-squares polynomial of a degree through n points, both columns of shape (n,).

    Raises FitError where the points are too few for the degree, or the curve doesn't increase between them.
    """
    fit = _least_squares(permittivity, vwc_m3_m3, degree)
    how = not_rising(fit.coefficients, *fit.domain)
    if how is None:
        return fit
    rising = [
        lower
        for lower in range(1, degree)
        if not_rising(_least_squares(permittivity, vwc_m3_m3, lower).coefficients, *fit.domain) is None
    ]
    instead = f"degree {_listed(rising)} increases" if rising else "no lower degree increases, so look at the points"
    low, high = fit.domain
    raise FitError(
        f"expected a curve that increases from permittivity {low:g} to {high:g}, got a polynomial of degree {degree} "
        f"that {how}; {instead}. More points about there help, or kind table where the points themselves increase",
        how,
    )


def best_polynomial(permittivity: Floats, vwc_m3_m3: Floats) -> tuple[Fit, dict[int, str]]:
    """Return the increasing polynomial of TRIED_DEGREES with the least leave-one-out error, and what each came to.

    Where two come to the same, to rounding, the lower degree is taken. Raises FitError where none will do.
    """
    tried: dict[int, str] = {}
    refused: FitError | None = None
    best: Fit | None = None
    for degree in TRIED_DEGREES:
        try:
            fit = fit_polynomial(permittivity, vwc_m3_m3, degree)
        except FitError as problem:
            refused = refused or problem
            tried[degree] = problem.why
            continue
        error = fit.leave_one_out_error_m3_m3
        tried[degree] = "no leave-one-out error" if error is None else f"leave-one-out error {error:.4g} m3/m3"
        if best is None or _error(fit) < _error(best) - LEAST_ERROR_M3_M3:
            best = fit
    if best is None:
        assert refused is not None  # noqa: S101 - each degree gave a curve or a refusal
        raise refused
    return best, tried


def fit_table(permittivity: Floats, vwc_m3_m3: Floats) -> Fit:
    """Return the monotone table of n points, both columns of shape (n,), equal permittivities averaged.

    Raises FitError where there are fewer than two permittivities, or water content doesn't increase with them.
    """
    knots, which, counts = np.unique(permittivity, return_inverse=True, return_counts=True)
    counts = counts.astype(np.int64)
    if len(knots) < 2:
        raise FitError(f"expected points at 2 permittivities or more for a table, got {len(knots)}", "too few points")
    means = np.bincount(which, weights=vwc_m3_m3) / counts
    _refuse_falling(knots, means, counts)
    points: Points = tuple(zip(knots.tolist(), means.tolist(), strict=True))
    residuals = vwc_m3_m3 - means[which]
    left_out = np.full(len(permittivity), np.nan)
    for knot in range(1, len(points) - 1):
        without = points[:knot] + points[knot + 1 :]
        left_out[which == knot] = vwc_m3_m3[which == knot] - table_value(without, knots[knot : knot + 1])
    freedom = len(permittivity) - len(knots)
    return Fit(
        kind="table",
        coefficients=(),
        points=points,
        domain=(float(knots[0]), float(knots[-1])),
        residuals_m3_m3=residuals,
        left_out_m3_m3=left_out,
        degrees_of_freedom=freedom,
        residual_standard_error_m3_m3=_scatter(residuals, freedom),
        leave_one_out_error_m3_m3=_root_mean_square(left_out[~np.isnan(left_out)]),
    )


def _least_squares(permittivity: Floats, vwc_m3_m3: Floats, degree: int) -> Fit:
    """Return the least-squares polynomial, whether it increases or not."""
    distinct, needed = len(np.unique(permittivity)), degree + 2
    if distinct < needed:
        raise FitError(
            f"expected points at {needed} permittivities or more for a polynomial of degree {degree}, "
            f"so that one is left to tell its error, got {distinct}",
            "too few points",
        )
    low, high = float(permittivity.min()), float(permittivity.max())
    scaled = (2 * permittivity - low - high) / (high - low)
    basis, triangle = np.linalg.qr(chebyshev.chebvander(scaled, degree))
    weights = np.abs(np.diag(triangle))
    if weights.min() < _ROUNDING * weights.max():
        raise FitError(
            f"expected {needed} permittivities that lie apart for a polynomial of degree {degree}, got some so close "
            "together that they count as one; average them, or take a lower degree",
            "points too close together",
        )
    terms = np.linalg.solve(triangle, basis.T @ vwc_m3_m3)
    in_powers = Chebyshev(terms, domain=[low, high]).convert(kind=Polynomial, domain=[-1, 1], window=[-1, 1])
    coefficients = tuple(float(term) for term in in_powers.coef) + (0.0,) * (degree + 1 - len(in_powers.coef))
    residuals = vwc_m3_m3 - polynomial(coefficients, permittivity)
    not_by_itself = 1 - np.sum(basis * basis, axis=1)
    left_out = np.full(len(permittivity), np.nan)
    np.divide(residuals, not_by_itself, out=left_out, where=not_by_itself > _ROUNDING)
    freedom = len(permittivity) - degree - 1
    return Fit(
        kind="polynomial",
        coefficients=coefficients,
        points=(),
        domain=(low, high),
        residuals_m3_m3=residuals,
        left_out_m3_m3=left_out,
        degrees_of_freedom=freedom,
        residual_standard_error_m3_m3=_scatter(residuals, freedom),
        leave_one_out_error_m3_m3=None if np.isnan(left_out).any() else _root_mean_square(left_out),
    )


def _refuse_falling(knots: Floats, means: Floats, counts: Ints) -> None:
    for (left, first, of_left), (right, second, of_right) in pairwise(zip(knots, means, counts, strict=True)):
        if second <= first:
            averaged = " (averages of equal permittivities)" if max(of_left, of_right) > 1 else ""
            raise FitError(
                f"expected water content that increases with permittivity, got {first:.4g} m3/m3 at {left:g} and "
                f"{second:.4g} at {right:g}{averaged}; measure there again, leave the doubtful point out, or fit a "
                "polynomial, which smooths scatter",
                f"falls from {left:g} to {right:g}",
            )


def _error(fit: Fit) -> float:
    return math.inf if fit.leave_one_out_error_m3_m3 is None else fit.leave_one_out_error_m3_m3


def _scatter(residuals: Floats, degrees_of_freedom: int) -> float | None:
    return math.sqrt(float(residuals @ residuals) / degrees_of_freedom) if degrees_of_freedom else None


def _root_mean_square(errors: Floats) -> float | None:
    return math.sqrt(float(errors @ errors) / len(errors)) if len(errors) else None


def _listed(numbers: Sequence[int]) -> str:
    return " or ".join(str(number) for number in numbers)
