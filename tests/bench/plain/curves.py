"""A calibration curve at one input: its value, its slope and its slope by temperature."""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Sequence
from functools import cache
from typing import NamedTuple

from scipy.interpolate import PchipInterpolator

from loamline_schemas.curves import Curve

#: Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582, ascending powers of permittivity.
TOPP = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)
#: Malmberg & Maryott 1956, J. Res. NBS 56:1-8: permittivity of water, ascending powers of degC, 0 to 100.
WATER = (87.740, -0.40008, 9.398e-4, -1.410e-6)
#: Standard errors in m3/m3 of the published curves, as `loamline.core.curves.kinds` tells them.
USUAL_ERROR = {"topp1980": 0.013, "ledieu1986": 0.02, "malicki1996": 0.02, "mixing": 0.02}

Function = Callable[[float, float], float]


class Functions(NamedTuple):
    """A curve's value, slope and slope by temperature (1/K), each of input and temperature; its domain and error."""

    value: Function
    slope: Function
    slope_per_k: Function
    domain: tuple[float, float]
    standard_error: float | None


def functions(curve: Curve) -> Functions:
    """Return what a curve is."""
    value, slope = _MADE[curve.kind](curve)
    per_k = _mixing_per_k(curve) if curve.kind == "mixing" else _nothing
    return Functions(value, slope, per_k, curve.domain, curve.standard_error or USUAL_ERROR.get(curve.kind))


def horner(ascending: Sequence[float], x: float) -> float:
    """Return a polynomial's value by Horner's rule."""
    value = float(ascending[-1])
    for coefficient in ascending[-2::-1]:
        value = value * x + coefficient
    return value


def derivative(ascending: Sequence[float]) -> list[float]:
    """Return the coefficients of a polynomial's first derivative."""
    return [power * coefficient for power, coefficient in enumerate(ascending)][1:] or [0.0]


def _nothing(_x: float, _degc: float) -> float:
    return 0.0


def _polynomial(ascending: Sequence[float]) -> tuple[Function, Function]:
    by_x = derivative(ascending)
    return lambda x, _: horner(ascending, x), lambda x, _: horner(by_x, x)


def _ledieu(_: Curve) -> tuple[Function, Function]:
    return lambda x, _: 0.1138 * math.sqrt(x) + -0.1758, lambda x, _: 0.1138 / (2 * math.sqrt(x))


def _malicki(curve: Curve) -> tuple[Function, Function]:
    density = curve.bulk_density_g_cm3 or math.nan
    offset, divisor = horner((0.819, 0.168, 0.159), density), horner((7.17, 1.18), density)
    return lambda x, _: (math.sqrt(x) - offset) / divisor, lambda x, _: 1 / (2 * math.sqrt(x) * divisor)


def _mixing(curve: Curve) -> tuple[Function, Function]:
    exponent, dry = _phases(curve)

    def water_less_air(degc: float) -> float:
        return math.pow(_water(degc), exponent) - 1.0

    def value(x: float, degc: float) -> float:
        return (math.pow(x, exponent) - dry) / water_less_air(degc)

    def slope(x: float, degc: float) -> float:
        return exponent * math.pow(x, exponent) / x / water_less_air(degc)

    return value, slope


def _mixing_per_k(curve: Curve) -> Function:
    exponent, _ = _phases(curve)
    value, _ = _mixing(curve)

    def per_k(x: float, degc: float) -> float:
        water = _water(degc)
        powered = math.pow(water, exponent)
        told = 20.0 if math.isnan(degc) else degc
        water_per_k = horner(derivative(WATER), told) if 0.0 <= told <= 100.0 else 0.0
        return -value(x, degc) * (exponent * powered / water * water_per_k) / (powered - 1.0)

    return per_k


def _phases(curve: Curve) -> tuple[float, float]:
    """Return the exponent, and what dry soil has: (1 - n) es^a + n."""
    porosity, solids = curve.porosity or math.nan, curve.solid_permittivity or math.nan
    exponent = curve.exponent or math.nan
    return exponent, (1 - porosity) * math.pow(solids, exponent) + porosity


def _water(degc: float) -> float:
    """Return water's permittivity at a temperature, 20 degC where there is none, within what was measured."""
    return horner(WATER, 20.0 if math.isnan(degc) else min(max(degc, 0.0), 100.0))


def _table(curve: Curve) -> tuple[Function, Function]:
    knots, pieces = _pieces(curve.points or ())

    def place(x: float) -> tuple[tuple[float, float, float, float], float]:
        piece = bisect.bisect_right(knots, x) - 1
        return pieces[piece], x - knots[piece]

    def value(x: float, _: float) -> float:
        (cubic, square, linear, constant), along = place(x)
        return ((cubic * along + square) * along + linear) * along + constant

    def slope(x: float, _: float) -> float:
        (cubic, square, linear, _constant), along = place(x)
        return (3 * cubic * along + 2 * square) * along + linear

    return value, slope


@cache
def _pieces(points: tuple[tuple[float, float], ...]) -> tuple[list[float], list[tuple[float, float, float, float]]]:
    """Return where SciPy's cubics begin, and their coefficients; the last point is a piece of its own."""
    knots, values = [x for x, _ in points], [y for _, y in points]
    spline = PchipInterpolator(knots, values)
    pieces = [(a, b, c, d) for a, b, c, d in spline.c.T.tolist()]
    return knots, [*pieces, (0.0, 0.0, float(spline.derivative()(knots[-1])), values[-1])]


_MADE: dict[str, Callable[[Curve], tuple[Function, Function]]] = {
    "topp1980": lambda _: _polynomial(TOPP),
    "ledieu1986": _ledieu,
    "malicki1996": _malicki,
    "mixing": _mixing,
    "polynomial": lambda curve: _polynomial(curve.coefficients),
    "table": _table,
}
