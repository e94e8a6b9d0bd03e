"""The static relative permittivity of liquid water at a temperature.

Malmberg & Maryott 1956, J. Res. NBS 56:1-8 (FOUND), measured from 0 to 100 degC, to 0.05:
eps = 87.740 - 0.40008 T + 9.398e-4 T^2 - 1.410e-6 T^3, T in degC.
"""

from __future__ import annotations

import numpy as np

from loamline.core.columns import Floats
from loamline.core.curves.polynomials import polynomial, polynomial_slope

#: eps(T), T in degC, ascending powers.
MALMBERG_MARYOTT_1956 = (87.740, -0.40008, 9.398e-4, -1.410e-6)
#: degC that were measured; beyond them the permittivity of the nearer end stands, as nothing is extrapolated.
MEASURED_DEGC = (0.0, 100.0)


def water_permittivity(temperature_degc: Floats) -> Floats:
    """Return the relative permittivity of water, shape (m,); NaN gives NaN."""
    return polynomial(MALMBERG_MARYOTT_1956, np.clip(temperature_degc, *MEASURED_DEGC))


def water_permittivity_per_k(temperature_degc: Floats) -> Floats:
    """Return its change with temperature, 1/K, shape (m,): -0.40 at 0 degC, -0.31 at 50 degC, 0 beyond the measured."""
    low, high = MEASURED_DEGC
    with np.errstate(invalid="ignore"):
        beyond = (temperature_degc < low) | (temperature_degc > high)
    return np.where(beyond, 0.0, polynomial_slope(MALMBERG_MARYOTT_1956, temperature_degc))
