"""From raw count to water content: two curves, each a pure function of columns.

1. transducer: count -> relative permittivity, through the probe's own two-point factory record,
   x = (count - count_per_k * (T - 20) - air_count) / (water_count - air_count)
   and the hardware's polynomial in x. Payloads that bring permittivity skip this step.
2. soil: relative permittivity -> volumetric water content, m3/m3, by a curve of `loamline.core.curves`; kind mixing
   takes the soil's temperature too.

Outside a curve's domain nothing is extrapolated: the figure is NaN, and the range check says why.
Arithmetic is float64 in one fixed order, so that a figure does not depend on the batch it was computed in.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import Bools, Floats, Ints, distinct, used
from loamline.core.curves import kinds
from loamline.core.curves.polynomials import polynomial
from loamline.core.curves.published import TOPP_1980
from loamline_schemas.curves import Curve
from loamline_schemas.registry import ProbeRow

__all__ = [
    "RECORD_TEMPERATURE_DEGC",
    "TOPP_1980",
    "Calibrated",
    "Slopes",
    "apply_curves",
    "calibrate",
    "coefficients",
    "polynomial",
    "records",
    "relative_count",
    "slopes",
]

#: degC at which a probe's factory record was taken.
RECORD_TEMPERATURE_DEGC = 20.0


@dataclass(frozen=True)
class Calibrated:
    """Figures of m samples, shape (m,), NaN where there is none.

    `outside_transducer` and `outside_soil` tell where an input lay outside a curve's domain.
    """

    x: Floats
    permittivity: Floats
    vwc_m3_m3: Floats
    outside_transducer: Bools
    outside_soil: Bools


@dataclass(frozen=True)
class Slopes:
    """First derivatives of a curve's output at m inputs, shape (m,), NaN where there is no figure.

    `by_input`: by the relative count or the permittivity. `per_k`: by the soil's temperature.
    """

    by_input: Floats
    per_k: Floats


def coefficients(curve: Curve) -> tuple[float, ...]:
    """Return a curve's polynomial, ascending powers; none for a kind that is no polynomial."""
    return TOPP_1980 if curve.kind == "topp1980" else curve.coefficients


def relative_count(
    moisture_count: Floats, soil_temperature_degc: Floats, air_count: Floats, water_count: Floats, count_per_k: Floats
) -> Floats:
    """Return x, the temperature-corrected count between air (0) and water (1), shape (m,).

    A record without temperature drift needs no temperature; otherwise a missing one gives NaN.
    """
    drift = np.where(count_per_k == 0.0, 0.0, count_per_k * (soil_temperature_degc - RECORD_TEMPERATURE_DEGC))
    return np.asarray((moisture_count - drift - air_count) / (water_count - air_count))


def apply_curves(
    x: Floats, which: Ints, curves: Sequence[Curve], soil_temperature_degc: Floats | None = None
) -> tuple[Floats, Bools]:
    """Return each sample's curve applied to its input, and where the input lay outside the curve's domain.

    `which` indexes `curves`, shape (m,); -1 and a NaN input give NaN. End points of a domain are inside. Without
    temperatures, or where one is NaN, kind mixing takes 20 degC (`curves.mixing`).
    """
    figures = np.full(len(x), np.nan)
    outside = np.zeros(len(x), dtype=bool)
    degc = np.full(len(x), np.nan) if soil_temperature_degc is None else soil_temperature_degc
    for curve, rows, inside in _by_curve(x, which, curves):
        within = rows[inside]
        figures[within] = kinds.evaluate(curve, x[within], degc[within])
        outside[rows] = ~inside & ~np.isnan(x[rows])
    return figures, outside


def slopes(x: Floats, which: Ints, curves: Sequence[Curve], soil_temperature_degc: Floats) -> Slopes:
    """Return how steep each sample's curve is at its input; arguments as for `apply_curves`."""
    by_input, per_k = np.full(len(x), np.nan), np.full(len(x), np.nan)
    for curve, rows, inside in _by_curve(x, which, curves):
        within = rows[inside]
        by_input[within] = kinds.slope(curve, x[within], soil_temperature_degc[within])
        per_k[within] = kinds.slope_per_k(curve, x[within], soil_temperature_degc[within])
    return Slopes(by_input, per_k)


def _by_curve(x: Floats, which: Ints, curves: Sequence[Curve]) -> Iterator[tuple[Curve, Ints, Bools]]:
    """Yield each curve that is used, its rows, and which of them lie in its domain."""
    for index in used(which):
        curve = curves[index]
        rows = np.flatnonzero(which == index)
        with np.errstate(invalid="ignore"):
            yield curve, rows, (x[rows] >= curve.domain[0]) & (x[rows] <= curve.domain[1])


def records(rows: Sequence[ProbeRow], which: Ints) -> tuple[Floats, Floats, Floats]:
    """Return air_count, water_count and count_per_k of each sample's probe, shape (m,), NaN where unknown."""
    first, number = distinct(which)
    table = np.full((len(first), 3), np.nan)
    for place, index in enumerate(which[first].tolist()):
        row = rows[index] if index >= 0 else None
        if row and row.air_count is not None and row.water_count is not None and row.count_per_k is not None:
            table[place] = row.air_count, row.water_count, row.count_per_k
    air_count, water_count, count_per_k = np.ascontiguousarray(table.T)
    return air_count[number], water_count[number], count_per_k[number]


def calibrate(
    moisture_count: Floats,
    permittivity: Floats,
    soil_temperature_degc: Floats,
    record: tuple[Floats, Floats, Floats],
    transducer: Ints,
    soil: Ints,
    curves: Sequence[Curve],
) -> Calibrated:
    """Return permittivity and water content of m samples; every column has shape (m,).

    `permittivity` is what the payload brought, NaN where it brought a count.
    """
    x = relative_count(moisture_count, soil_temperature_degc, *record)
    computed, outside_transducer = apply_curves(x, transducer, curves)
    reported = ~np.isnan(permittivity)
    permittivity = np.where(reported, permittivity, computed)
    vwc, outside_soil = apply_curves(permittivity, soil, curves, soil_temperature_degc)
    return Calibrated(x, permittivity, vwc, outside_transducer & ~reported, outside_soil)
