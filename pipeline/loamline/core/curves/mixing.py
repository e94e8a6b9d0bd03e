"""The three-phase mixing model: solids, water and air share the soil's volume, and their powers of permittivity add up.

Roth, Schulin, Fluehler & Attinger 1990, Water Resour. Res. 26:2267-2273 (form confirmed against a public
implementation; exponent 0.46 and solids 3.9 MEMORY):

    Ka^a = (1 - n) es^a + theta ew(T)^a + (n - theta) ea^a

with the porosity n, the exponent a, and the permittivities of solids es, of water ew at the soil's temperature
(`water`) and of air ea = 1. Solved for theta:

    theta = (Ka^a - (1 - n) es^a - n) / (ew(T)^a - 1)

A soil without a temperature (a failed thermistor) is taken to be at 20 degC, where a reading would be lost otherwise;
`uncertainty` widens the figure accordingly. All columns have shape (m,).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import Floats
from loamline.core.curves.powers import power
from loamline.core.curves.water import water_permittivity, water_permittivity_per_k

#: degC of a soil whose temperature is not known.
ASSUMED_TEMPERATURE_DEGC = 20.0


@dataclass(frozen=True)
class Mixture:
    """A soil's phases: porosity in m3/m3, relative permittivity of its solids, exponent of the mixing rule."""

    porosity: float
    solid_permittivity: float
    exponent: float

    @property
    def solids_and_pores(self) -> float:
        """(1 - n) es^a + n, which dry soil has: air's permittivity is 1 and so is its power."""
        return (1 - self.porosity) * math.pow(self.solid_permittivity, self.exponent) + self.porosity


def assumed_temperature(soil_temperature_degc: Floats) -> Floats:
    """Return the temperature, ASSUMED_TEMPERATURE_DEGC where there is none."""
    return np.where(np.isnan(soil_temperature_degc), ASSUMED_TEMPERATURE_DEGC, soil_temperature_degc)


def mixing_vwc_m3_m3(permittivity: Floats, soil_temperature_degc: Floats, soil: Mixture) -> Floats:
    """Return the water content by the three-phase model, m3/m3; NaN without a permittivity."""
    return np.asarray(
        (power(permittivity, soil.exponent) - soil.solids_and_pores) / _water_less_air(soil_temperature_degc, soil)
    )


def mixing_slope(permittivity: Floats, soil_temperature_degc: Floats, soil: Mixture) -> Floats:
    """Return d theta / d Ka = a Ka^(a - 1) / (ew^a - 1), m3/m3."""
    bulk = power(permittivity, soil.exponent)
    return np.asarray(soil.exponent * bulk / permittivity / _water_less_air(soil_temperature_degc, soil))


def mixing_slope_per_k(permittivity: Floats, soil_temperature_degc: Floats, soil: Mixture) -> Floats:
    """Return d theta / d T = -theta a ew^(a - 1) (d ew / d T) / (ew^a - 1), m3/m3 per K: wet soil gains by warmth."""
    degc = assumed_temperature(soil_temperature_degc)
    theta = mixing_vwc_m3_m3(permittivity, soil_temperature_degc, soil)
    water = water_permittivity(degc)
    of_power = soil.exponent * power(water, soil.exponent) / water * water_permittivity_per_k(degc)
    return np.asarray(-theta * of_power / _water_less_air(soil_temperature_degc, soil))


def _water_less_air(soil_temperature_degc: Floats, soil: Mixture) -> Floats:
    return power(water_permittivity(assumed_temperature(soil_temperature_degc)), soil.exponent) - 1.0
