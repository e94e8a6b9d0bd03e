"""A curve written out with its numbers, for whoever wants to work a figure out again by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loamline.core.curves.kinds import mixture
from loamline.core.curves.mixing import ASSUMED_TEMPERATURE_DEGC, assumed_temperature
from loamline.core.curves.published import LEDIEU_1986, TOPP_1980, malicki1996_terms
from loamline.core.curves.water import water_permittivity
from loamline.core.explaining.words import number, signed
from loamline_schemas.curves import Curve


def formula(curve: Curve, variable: str, result_name: str, soil_temperature_degc: float | None = None) -> str:
    """Return `result_name = ...` with the curve's numbers put in and `variable` for its input.

    The temperature matters to kind mixing alone; None is a soil without one.
    """
    return f"{result_name} = {_right_side(curve, variable, soil_temperature_degc)}"


def _right_side(curve: Curve, variable: str, degc: float | None) -> str:
    match curve.kind:
        case "topp1980":
            return _polynomial(TOPP_1980, variable)
        case "ledieu1986":
            return f"{number(LEDIEU_1986[1])} sqrt({variable}) - {number(-LEDIEU_1986[0])}"
        case "malicki1996":
            offset, divisor = malicki1996_terms(curve.bulk_density_g_cm3 or 0.0)
            density = number(curve.bulk_density_g_cm3)
            return (
                f"(sqrt({variable}) - 0.819 - 0.168 r - 0.159 r^2) / (7.17 + 1.18 r) = "
                f"(sqrt({variable}) - {number(offset)}) / {number(divisor)} for r = {density} g/cm3"
            )
        case "mixing":
            return _mixing(curve, variable, degc)
        case "polynomial":
            return _polynomial(curve.coefficients, variable)
        case "table":
            points = curve.points or ()
            first, last = (f"({number(x)}, {number(y)})" for x, y in (points[0], points[-1]))
            return f"monotone cubic through {len(points)} points from {first} to {last}"


def _mixing(curve: Curve, variable: str, degc: float | None) -> str:
    soil = mixture(curve)
    (water,) = water_permittivity(assumed_temperature(np.array([np.nan if degc is None else degc]))).tolist()
    at = f"{number(degc)} degC" if degc is not None else f"{number(ASSUMED_TEMPERATURE_DEGC)} degC, taken for none told"
    a, n = signed(soil.exponent), number(soil.porosity)
    solids = f"(1 - {n}) * {number(soil.solid_permittivity)}^{a}"
    return f"({variable}^{a} - {solids} - {n}) / ({number(water)}^{a} - 1), water having {number(water)} at {at}"


def _polynomial(terms: Sequence[float], variable: str) -> str:
    powers = ["", f" {variable}", *(f" {variable}^{power}" for power in range(2, len(terms)))]
    text = f"{number(terms[0])}{powers[0]}"
    for term, power in zip(terms[1:], powers[1:], strict=False):
        text += f" {'-' if term < 0 else '+'} {number(abs(term))}{power}"
    return text
