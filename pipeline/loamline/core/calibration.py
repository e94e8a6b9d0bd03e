"""From raw count to water content: two curves, each a pure function of columns.

1. transducer: count -> relative permittivity, through the probe's own two-point factory record,
   x = (count - count_per_k * (T - 20) - air_count) / (water_count - air_count)
   and the hardware's polynomial in x. Payloads that bring permittivity skip this step.
2. soil: relative permittivity -> volumetric water content, m3/m3.

Outside a curve's domain nothing is extrapolated: the figure is NaN, and the range check says why.
Arithmetic is float64 in one fixed order, so that a figure does not depend on the batch it was computed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import Bools, Floats, Ints
from loamline_schemas.curves import Curve
from loamline_schemas.registry import ProbeRow

#: degC at which a probe's factory record was taken.
RECORD_TEMPERATURE_DEGC = 20.0

#: Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582: theta(Ka), ascending powers, m3/m3.
TOPP_1980 = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)


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


def coefficients(curve: Curve) -> tuple[float, ...]:
    """Return a curve's polynomial, ascending powers."""
    return TOPP_1980 if curve.kind == "topp1980" else curve.coefficients


def polynomial(ascending: Sequence[float], x: Floats) -> Floats:
    """Return the polynomial's value by Horner's rule, shape of `x`."""
    value = np.full(np.shape(x), float(ascending[-1]))
    for coefficient in reversed(ascending[:-1]):
        value = value * x + coefficient
    return value


def relative_count(
    moisture_count: Floats, soil_temperature_degc: Floats, air_count: Floats, water_count: Floats, count_per_k: Floats
) -> Floats:
    """Return x, the temperature-corrected count between air (0) and water (1), shape (m,).

    A record without temperature drift needs no temperature; otherwise a missing one gives NaN.
    """
    drift = np.where(count_per_k == 0.0, 0.0, count_per_k * (soil_temperature_degc - RECORD_TEMPERATURE_DEGC))
    return np.asarray((moisture_count - drift - air_count) / (water_count - air_count))


def apply_curves(x: Floats, which: Ints, curves: Sequence[Curve]) -> tuple[Floats, Bools]:
    """Return each sample's curve applied to its input, and where the input lay outside the curve's domain.

    `which` indexes `curves`, shape (m,); -1 and a NaN input give NaN. End points of a domain are inside.
    """
    figures = np.full(len(x), np.nan)
    outside = np.zeros(len(x), dtype=bool)
    for index in np.unique(which[which >= 0]):
        curve = curves[int(index)]
        rows = np.flatnonzero(which == index)
        given = x[rows]
        with np.errstate(invalid="ignore"):
            inside = (given >= curve.domain[0]) & (given <= curve.domain[1])
        figures[rows[inside]] = polynomial(coefficients(curve), given[inside])
        outside[rows] = ~inside & ~np.isnan(given)
    return figures, outside


def records(rows: Sequence[ProbeRow], which: Ints) -> tuple[Floats, Floats, Floats]:
    """Return air_count, water_count and count_per_k of each sample's probe, shape (m,), NaN where unknown."""
    table = np.full((len(rows) + 1, 3), np.nan)
    for index in np.unique(which[which >= 0]).tolist():
        row = rows[index]
        if row.air_count is not None and row.water_count is not None and row.count_per_k is not None:
            table[index] = row.air_count, row.water_count, row.count_per_k
    picked = table[which]
    return picked[:, 0], picked[:, 1], picked[:, 2]


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
    vwc, outside_soil = apply_curves(permittivity, soil, curves)
    return Calibrated(x, permittivity, vwc, outside_transducer & ~reported, outside_soil)
