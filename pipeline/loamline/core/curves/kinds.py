"""Which function, slope, source and standard error belong to a curve, by its kind.

All columns have shape (m,). Inputs lie within the curve's domain, which `loamline.core.calibration` sees to.
"""

from __future__ import annotations

import numpy as np

from loamline.core.columns import Floats
from loamline.core.curves.mixing import Mixture, mixing_slope, mixing_slope_per_k, mixing_vwc_m3_m3
from loamline.core.curves.polynomials import polynomial, polynomial_slope
from loamline.core.curves.published import (
    ledieu1986_slope,
    ledieu1986_vwc_m3_m3,
    malicki1996_slope,
    malicki1996_vwc_m3_m3,
    topp1980_slope,
    topp1980_vwc_m3_m3,
)
from loamline.core.curves.table import table_slope, table_value
from loamline_schemas.curves import Curve

#: Where a kind of curve was published, for a curve that names no source itself.
SOURCES = {
    "topp1980": "Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582",
    "ledieu1986": "Ledieu, de Ridder, de Clerck & Dautrebande 1986, J. Hydrol. 88:319-328",
    "malicki1996": "Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366",
    "mixing": "Roth, Schulin, Fluehler & Attinger 1990, Water Resour. Res. 26:2267-2273; "
    "water by Malmberg & Maryott 1956, J. Res. NBS 56:1-8",
}

#: Standard error in m3/m3 of a soil curve that tells none. Topp et al. 1980 publish 0.013 for their mineral soils
#: (MEMORY); for the other general equations 0.02 is common practice. A curve fitted to a soil has its own or none.
USUAL_STANDARD_ERROR_M3_M3 = {"topp1980": 0.013, "ledieu1986": 0.02, "malicki1996": 0.02, "mixing": 0.02}


def evaluate(curve: Curve, x: Floats, soil_temperature_degc: Floats) -> Floats:
    """Return the curve's output: m3/m3 for a soil curve, relative permittivity for a transducer's."""
    match curve.kind:
        case "topp1980":
            return topp1980_vwc_m3_m3(x)
        case "ledieu1986":
            return ledieu1986_vwc_m3_m3(x)
        case "malicki1996":
            return malicki1996_vwc_m3_m3(x, _bulk_density(curve))
        case "mixing":
            return mixing_vwc_m3_m3(x, soil_temperature_degc, mixture(curve))
        case "polynomial":
            return polynomial(curve.coefficients, x)
        case "table":
            return table_value(curve.points or (), x)


def slope(curve: Curve, x: Floats, soil_temperature_degc: Floats) -> Floats:
    """Return the curve's first derivative by its input."""
    match curve.kind:
        case "topp1980":
            return topp1980_slope(x)
        case "ledieu1986":
            return ledieu1986_slope(x)
        case "malicki1996":
            return malicki1996_slope(x, _bulk_density(curve))
        case "mixing":
            return mixing_slope(x, soil_temperature_degc, mixture(curve))
        case "polynomial":
            return polynomial_slope(curve.coefficients, x)
        case "table":
            return table_slope(curve.points or (), x)


def slope_per_k(curve: Curve, x: Floats, soil_temperature_degc: Floats) -> Floats:
    """Return the curve's first derivative by the soil's temperature, per K: 0 for all kinds but mixing."""
    if curve.kind == "mixing":
        return mixing_slope_per_k(x, soil_temperature_degc, mixture(curve))
    return np.zeros(np.shape(x))


def mixture(curve: Curve) -> Mixture:
    """Return the phases of a curve of kind mixing."""
    if curve.porosity is None or curve.solid_permittivity is None or curve.exponent is None:
        raise ValueError(f"expected a curve of kind mixing, got {curve.id!r} of kind {curve.kind}")
    return Mixture(curve.porosity, curve.solid_permittivity, curve.exponent)


def source(curve: Curve) -> str | None:
    """Return where the curve comes from: its own source, else its kind's publication, else None."""
    return curve.source or SOURCES.get(curve.kind)


def standard_error(curve: Curve) -> float | None:
    """Return the curve's standard error in the unit of its output: its own, else its kind's usual one, else None."""
    return curve.standard_error or USUAL_STANDARD_ERROR_M3_M3.get(curve.kind)


def _bulk_density(curve: Curve) -> float:
    if curve.bulk_density_g_cm3 is None:
        raise ValueError(f"expected a curve of kind malicki1996, got {curve.id!r} of kind {curve.kind}")
    return curve.bulk_density_g_cm3
