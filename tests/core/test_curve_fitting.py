"""Curves from laboratory points, against NumPy's own fits, second fits without a point, and curves known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.polynomial import Polynomial
from scipy.interpolate import PchipInterpolator

from loamline.core.curves.fitting import Fit, FitError, best_polynomial, fit_polynomial, fit_table
from loamline.core.curves.polynomials import polynomial
from loamline.core.curves.published import TOPP_1980
from loamline_schemas.rising import not_rising

#: An invented bed of loam: relative permittivity and water content in m3/m3, as an oven and a bench give them.
KA = np.array([2.9, 4.0, 6.1, 8.0, 11.0, 15.0, 19.5, 25.0, 31.0, 36.0, 41.0])
VWC = np.array([0.020, 0.055, 0.110, 0.150, 0.210, 0.270, 0.330, 0.385, 0.440, 0.480, 0.520])


@pytest.mark.parametrize("degree", [1, 2, 3, 4])
def test_coefficients_are_those_of_numpys_least_squares(degree: int) -> None:
    """`numpy.polynomial.Polynomial.fit` is the general-purpose reference."""
    theirs = Polynomial.fit(KA, VWC, degree).convert().coef
    np.testing.assert_allclose(fit_polynomial(KA, VWC, degree).coefficients, theirs, rtol=1e-9)


def test_residuals_are_measured_less_fitted_in_the_order_of_the_points() -> None:
    backwards = fit_polynomial(KA[::-1].copy(), VWC[::-1].copy(), 3)
    np.testing.assert_allclose(backwards.residuals_m3_m3[::-1], VWC - Polynomial.fit(KA, VWC, 3)(KA), atol=1e-12)


def test_standard_error_divides_by_the_degrees_of_freedom() -> None:
    """Points less coefficients (textbook regression): 11 points and 4 coefficients leave 7."""
    fit = fit_polynomial(KA, VWC, 3)
    squares = np.sum((VWC - Polynomial.fit(KA, VWC, 3)(KA)) ** 2)
    assert fit.degrees_of_freedom == 7
    assert fit.standard_error_m3_m3 == pytest.approx(np.sqrt(squares / 7), rel=1e-9)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_leave_one_out_is_what_fits_without_each_point_miss_it_by(degree: int) -> None:
    """By leverage, without a second fit; here are the second fits."""
    misses = [VWC[at] - Polynomial.fit(np.delete(KA, at), np.delete(VWC, at), degree)(KA[at]) for at in range(len(KA))]
    fit = fit_polynomial(KA, VWC, degree)
    np.testing.assert_allclose(fit.left_out_m3_m3, misses, atol=1e-9)
    assert fit.leave_one_out_error_m3_m3 == pytest.approx(np.sqrt(np.mean(np.square(misses))), rel=1e-6)


def test_a_point_that_alone_determines_a_coefficient_cannot_be_left_out() -> None:
    """Without the far point the other two, next to each other, tell no slope."""
    fit = fit_polynomial(np.array([2.0, 2.0 + 1e-8, 40.0]), np.array([0.02, 0.021, 0.5]), 1)
    assert np.isnan(fit.left_out_m3_m3).tolist() == [False, False, True]
    assert fit.leave_one_out_error_m3_m3 is None
    assert fit.standard_error_m3_m3 is not None


@given(
    rises=st.lists(st.floats(0.0, 0.02), min_size=1, max_size=4),
    start=st.floats(0.0, 0.1),
    low=st.floats(1.5, 5.0),
    span=st.floats(10.0, 50.0),
    many=st.integers(8, 20),
)
def test_points_of_a_known_increasing_polynomial_give_it_back(
    rises: list[float], start: float, low: float, span: float, many: int
) -> None:
    """Powers of the distance along the span with weights of 0 or more only rise."""
    assume(sum(rises) > 1e-3)
    scaled = Polynomial([start, *rises], domain=[low, low + span], window=[0, 1])
    known = scaled.convert()
    ka = np.linspace(low, low + span, many)
    fit = fit_polynomial(ka, known(ka), len(rises))
    x = np.linspace(low, low + span, 101)
    np.testing.assert_allclose(fit.evaluate(x), known(x), atol=1e-10)
    assert fit.standard_error_m3_m3 is None, "points without scatter tell no error"


@given(st.lists(st.tuples(st.floats(1.0, 80.0), st.floats(0.0, 0.6)), min_size=4, max_size=12), st.integers(1, 4))
def test_whatever_is_fitted_increases_and_whatever_is_refused_says_why(
    points: list[tuple[float, float]], degree: int
) -> None:
    ka, vwc = np.array(points).T.copy()
    fit, refused = None, None
    try:
        fit = fit_polynomial(ka, vwc, degree)
    except FitError as problem:
        refused = problem
    if refused is not None:
        assert str(refused).startswith("expected ")
        assert ", got " in str(refused)
        assert refused.why
    if fit is not None:
        assert not_rising(fit.coefficients, *fit.domain) is None
        assert fit.domain == (ka.min(), ka.max())


def test_the_curve_of_topp_is_found_again_from_its_own_figures() -> None:
    """Topp, Davis & Annan 1980 (coefficients FOUND): a cubic through points of it is it."""
    ka = np.linspace(3, 40, 12)
    fit, _ = best_polynomial(ka, polynomial(TOPP_1980, ka))
    np.testing.assert_allclose(fit.coefficients, TOPP_1980, rtol=1e-8)


def test_a_curve_that_turns_is_refused_with_the_place_and_what_to_do() -> None:
    ka, vwc = np.array([2.0, 10.0, 20.0, 30.0, 40.0]), np.array([0.02, 0.20, 0.35, 0.34, 0.30])
    with pytest.raises(FitError) as refused:
        fit_polynomial(ka, vwc, 2)
    turn = Polynomial.fit(ka, vwc, 2).deriv().roots()[0]
    assert str(refused.value) == (
        f"expected a curve that increases from permittivity 2 to 40, got a polynomial of degree 2 that turns at "
        f"{turn:.4g}; degree 1 increases. More points about there help, or kind table where the points themselves "
        "increase"
    )
    assert refused.value.why == f"turns at {turn:.4g}"


def test_points_that_fall_have_no_lower_degree_to_offer() -> None:
    with pytest.raises(FitError, match=r"that falls; no lower degree increases, so look at the points"):
        best_polynomial(KA, VWC[::-1].copy())


@pytest.mark.parametrize(("degree", "needed"), [(1, 3), (3, 5)])
def test_a_polynomial_wants_a_permittivity_more_than_coefficients(degree: int, needed: int) -> None:
    """Repeated points count once: they tell scatter, not shape."""
    ka = np.repeat(np.linspace(2, 40, needed - 1), 2)
    with pytest.raises(FitError, match=rf"expected points at {needed} permittivities or more .*, got {needed - 1}$"):
        fit_polynomial(ka, ka / 100, degree)


def test_permittivities_that_are_one_but_for_rounding_are_refused() -> None:
    ka = np.array([2.0, 2.0 + 1e-15, 40.0, 40.0 - 1e-14])
    with pytest.raises(FitError, match="so close together that they count as one"):
        fit_polynomial(ka, np.array([0.02, 0.021, 0.5, 0.51]), 2)


def test_the_best_degree_has_the_least_leave_one_out_error() -> None:
    best, tried = best_polynomial(KA, VWC)
    errors = {degree: fit_polynomial(KA, VWC, degree).leave_one_out_error_m3_m3 or np.inf for degree in (1, 2, 3)}
    assert best.degree == min(errors, key=lambda degree: errors[degree])
    assert tried == {degree: f"leave-one-out error {error:.4g} m3/m3" for degree, error in errors.items()}


def test_of_equal_degrees_the_lowest_is_taken() -> None:
    """Points on a line are on a parabola, too."""
    best, _ = best_polynomial(KA, 0.01 * KA)
    assert best.degree == 1


# --- tables -------------------------------------------------------------------------------------------------------


def test_a_table_goes_through_its_points_by_scipys_monotone_interpolation() -> None:
    fit = fit_table(KA, VWC)
    x = np.linspace(KA[0], KA[-1], 200)
    np.testing.assert_allclose(fit.evaluate(x), PchipInterpolator(KA, VWC)(x), atol=1e-14)
    assert fit.points == tuple(zip(KA.tolist(), VWC.tolist(), strict=True))
    assert fit.residuals_m3_m3.tolist() == [0.0] * len(KA)
    assert fit.domain == (KA[0], KA[-1])


def test_points_of_a_table_are_sorted_and_those_of_equal_permittivity_averaged() -> None:
    fit = fit_table(np.array([20.0, 5.0, 20.0]), np.array([0.30, 0.10, 0.32]))
    assert fit.points == ((5.0, 0.10), (20.0, 0.31))
    np.testing.assert_allclose(fit.residuals_m3_m3, [-0.01, 0.0, 0.01], atol=1e-15)
    assert fit.degrees_of_freedom == 1
    assert fit.residual_standard_error_m3_m3 == pytest.approx(np.sqrt(2e-4))


def test_the_error_of_a_table_is_how_far_its_points_miss_the_table_of_the_others() -> None:
    """The two ends can't be left out: nothing is extrapolated."""
    fit = fit_table(KA, VWC)
    misses = [
        VWC[at] - PchipInterpolator(np.delete(KA, at), np.delete(VWC, at))(KA[at]) for at in range(1, len(KA) - 1)
    ]
    assert np.isnan(fit.left_out_m3_m3[[0, -1]]).all()
    np.testing.assert_allclose(fit.left_out_m3_m3[1:-1], misses, atol=1e-13)
    assert fit.standard_error_m3_m3 == pytest.approx(np.sqrt(np.mean(np.square(misses))))


def test_a_table_whose_repeated_points_scatter_more_has_that_as_its_error() -> None:
    ka, vwc = np.array([5.0, 20.0, 20.0, 40.0]), np.array([0.10, 0.26, 0.34, 0.50])
    fit = fit_table(ka, vwc)
    assert fit.standard_error_m3_m3 == fit.residual_standard_error_m3_m3 == pytest.approx(np.sqrt(2 * 0.04**2))


def test_a_table_of_two_points_tells_no_error() -> None:
    assert fit_table(np.array([3.0, 40.0]), np.array([0.02, 0.5])).standard_error_m3_m3 is None


def test_a_table_that_falls_is_refused_with_both_points() -> None:
    with pytest.raises(FitError) as refused:
        fit_table(np.array([5.0, 10.0, 20.0]), np.array([0.10, 0.22, 0.21]))
    assert str(refused.value) == (
        "expected water content that increases with permittivity, got 0.22 m3/m3 at 10 and 0.21 at 20; measure there "
        "again, leave the doubtful point out, or fit a polynomial, which smooths scatter"
    )


def test_a_table_of_averages_that_fall_says_that_they_are_averages() -> None:
    with pytest.raises(FitError, match=r"got 0\.25 m3/m3 at 10 and 0\.21 at 20 \(averages of equal permittivities\)"):
        fit_table(np.array([10.0, 10.0, 20.0]), np.array([0.20, 0.30, 0.21]))


def test_one_permittivity_is_no_table() -> None:
    with pytest.raises(FitError, match=r"expected points at 2 permittivities or more for a table, got 1$"):
        fit_table(np.array([10.0, 10.0]), np.array([0.20, 0.21]))


@given(st.lists(st.tuples(st.floats(0.1, 10.0), st.floats(0.001, 0.1)), min_size=2, max_size=9))
def test_the_table_of_increasing_points_increases(steps: list[tuple[float, float]]) -> None:
    ka, vwc = np.cumsum(np.array(steps), axis=0).T
    fit: Fit = fit_table(ka + 1, vwc)
    along = fit.evaluate(np.linspace(*fit.domain, 301))
    assert (np.diff(along) >= -1e-12).all()
