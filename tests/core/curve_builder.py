"""One soil curve of every kind, and the way back from water content to permittivity."""

from __future__ import annotations

import numpy as np

from loamline.core.calibration import apply_curves
from loamline_schemas.curves import Curve

LABORATORY_POINTS = ((2.9, 0.02), (6.1, 0.11), (11.0, 0.21), (19.5, 0.33), (31.0, 0.44), (41.0, 0.52))
#: What each kind takes; kind topp1980 and polynomial tell their domain.
PARAMETERS = {
    "topp1980": {"domain": [1.8, 81]},
    "ledieu1986": {},
    "malicki1996": {"bulk_density_g_cm3": 1.35},
    "mixing": {"porosity": 0.45, "solid_permittivity": 3.9, "exponent": 0.46},
    "polynomial": {"coefficients": [0.018, 0.0272, -4.0e-4, 2.6e-6], "domain": [1.8, 60], "standard_error": 0.01},
    "table": {"points": LABORATORY_POINTS, "standard_error": 0.008},
}


def soil_curve(kind: str, **changes: object) -> Curve:
    """Return a soil curve of a kind."""
    usual = {"id": kind, "step": "soil", "kind": kind, "valid_from": "2026-03-01T00:00:00Z", **PARAMETERS[kind]}
    return Curve.model_validate({**usual, **changes})


#: Every kind, and the mixing model with an exponent under 0 and with a whole one.
EVERY_KIND = (
    *(soil_curve(kind) for kind in PARAMETERS),
    soil_curve("mixing", id="mixing nearly in series", exponent=-0.1, porosity=0.6),
    soil_curve("mixing", id="mixing side by side", exponent=1),
)


def vwc_of(curve: Curve, permittivity: float, soil_temperature_degc: float = 20.0) -> float:
    """Return the water content that a curve gives, NaN outside its domain."""
    which = np.array([0])
    told, _ = apply_curves(np.array([permittivity]), which, [curve], np.array([soil_temperature_degc]))
    return float(told[0])


def permittivity_of(curve: Curve, vwc_m3_m3: float, soil_temperature_degc: float = 20.0) -> float:
    """Return the permittivity with that water content, by bisection over the curve's domain."""
    low, high = curve.domain
    for _ in range(200):
        middle = (low + high) / 2
        under = vwc_of(curve, middle, soil_temperature_degc) < vwc_m3_m3
        low, high = (middle, high) if under else (low, middle)
    return (low + high) / 2
