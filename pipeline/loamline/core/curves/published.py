"""The published curves of mineral soil: relative permittivity Ka to volumetric water content, m3/m3.

- Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582 (coefficients FOUND, equation number not checked):
  theta = -5.3e-2 + 2.92e-2 Ka - 5.5e-4 Ka^2 + 4.3e-6 Ka^3
- Ledieu, de Ridder, de Clerck & Dautrebande 1986, J. Hydrol. 88:319-328 (FOUND): theta = 0.1138 sqrt(Ka) - 0.1758
- Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366 (FOUND), with the dry bulk density r in g/cm3:
  theta = (sqrt(Ka) - 0.819 - 0.168 r - 0.159 r^2) / (7.17 + 1.18 r)

All functions take and return columns of shape (m,); NaN gives NaN.
"""

from __future__ import annotations

import numpy as np

from loamline.core.columns import Floats
from loamline.core.curves.polynomials import polynomial, polynomial_slope

#: theta(Ka), ascending powers, m3/m3.
TOPP_1980 = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)
#: theta(sqrt(Ka)), ascending powers, m3/m3.
LEDIEU_1986 = (-0.1758, 0.1138)
#: In the bulk density in g/cm3, ascending powers: what is taken off sqrt(Ka), and what the rest is divided by.
MALICKI_1996_OFFSET = (0.819, 0.168, 0.159)
MALICKI_1996_DIVISOR = (7.17, 1.18)


def topp1980_vwc_m3_m3(permittivity: Floats) -> Floats:
    """Return the water content by Topp et al. 1980; it increases everywhere, least steeply at 42.64."""
    return polynomial(TOPP_1980, permittivity)


def topp1980_slope(permittivity: Floats) -> Floats:
    """Return d theta / d Ka, m3/m3."""
    return polynomial_slope(TOPP_1980, permittivity)


def ledieu1986_vwc_m3_m3(permittivity: Floats) -> Floats:
    """Return the water content by Ledieu et al. 1986, a straight line in the square root of permittivity."""
    return np.asarray(LEDIEU_1986[1] * np.sqrt(permittivity) + LEDIEU_1986[0])


def ledieu1986_slope(permittivity: Floats) -> Floats:
    """Return d theta / d Ka, m3/m3."""
    return np.asarray(LEDIEU_1986[1] / (2 * np.sqrt(permittivity)))


def malicki1996_terms(bulk_density_g_cm3: float) -> tuple[float, float]:
    """Return what the equation takes off sqrt(Ka), and what it divides the rest by."""
    (offset,) = polynomial(MALICKI_1996_OFFSET, np.array([bulk_density_g_cm3])).tolist()
    (divisor,) = polynomial(MALICKI_1996_DIVISOR, np.array([bulk_density_g_cm3])).tolist()
    return offset, divisor


def malicki1996_vwc_m3_m3(permittivity: Floats, bulk_density_g_cm3: float) -> Floats:
    """Return the water content by Malicki et al. 1996: the denser the soil, the more its solids add to Ka."""
    offset, divisor = malicki1996_terms(bulk_density_g_cm3)
    return np.asarray((np.sqrt(permittivity) - offset) / divisor)


def malicki1996_slope(permittivity: Floats, bulk_density_g_cm3: float) -> Floats:
    """Return d theta / d Ka, m3/m3."""
    return np.asarray(1 / (2 * np.sqrt(permittivity) * malicki1996_terms(bulk_density_g_cm3)[1]))
