"""The three-phase mixing model: Roth, Schulin, Fluehler & Attinger 1990, Water Resour. Res. 26:2267-2273.

Form confirmed by running a public implementation (largest difference 7e-6); exponent 0.46 and permittivity of
solids 3.9 MEMORY; tabulated figures COMPUTED, with the water of Malmberg & Maryott 1956.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.curves.mixing import Mixture, mixing_vwc_m3_m3
from loamline.core.curves.water import water_permittivity
from tests.core.curve_builder import permittivity_of, soil_curve, vwc_of

ROWS = list(csv.DictReader((Path(__file__).parent / "dielectric_roth1990_three_phase.csv").read_text().splitlines()))


def bulk(theta, porosity, solids, water, exponent, air=1.0):
    """Return the permittivity of the three phases together, written out as the paper does."""
    powers = (1 - porosity) * solids**exponent + theta * water**exponent + (porosity - theta) * air**exponent
    return powers ** (1 / exponent)


def theta_of(permittivity, degc, soil):
    return float(mixing_vwc_m3_m3(np.array([permittivity]), np.array([degc]), soil)[0])


@pytest.mark.parametrize(
    "row", ROWS, ids=lambda row: f"{row['water_temperature_degC']}degC-{row['porosity_m3_m3']}-{row['theta_m3_m3']}"
)
def test_every_tabulated_mixture_both_ways(row):
    degc, vwc = float(row["water_temperature_degC"]), float(row["theta_m3_m3"])
    told = {
        "porosity": float(row["porosity_m3_m3"]),
        "solid_permittivity": float(row["eps_solid_dimensionless"]),
        "exponent": float(row["alpha_dimensionless"]),
    }
    curve, permittivity = soil_curve("mixing", **told), float(row["eps_bulk_dimensionless"])
    assert vwc_of(curve, permittivity, degc) == pytest.approx(vwc, abs=1e-5)
    assert permittivity_of(curve, vwc, degc) == pytest.approx(permittivity, abs=1e-5)


soils = st.builds(
    Mixture,
    porosity=st.floats(0.2, 0.9),
    solid_permittivity=st.floats(2.0, 6.0),
    exponent=st.one_of(st.floats(0.1, 1.0), st.floats(-1.0, -0.1)),
)
temperatures = st.floats(0.0, 40.0)


@settings(max_examples=80, deadline=None)
@given(soil=soils, degc=temperatures, share=st.floats(0.0, 1.0))
def test_it_is_the_exact_inverse_of_the_mixing_rule(soil, degc, share):
    vwc = share * soil.porosity
    water = float(water_permittivity(np.array([degc]))[0])
    mixed = bulk(vwc, soil.porosity, soil.solid_permittivity, water, soil.exponent)
    assert theta_of(mixed, degc, soil) == pytest.approx(vwc, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(soil=soils, cold=temperatures, warm=temperatures)
def test_dry_soil_reads_dry_at_any_temperature(soil, cold, warm):
    """Without water its permittivity can't matter."""
    dry = bulk(0.0, soil.porosity, soil.solid_permittivity, 1e9, soil.exponent)
    assert theta_of(dry, cold, soil) == pytest.approx(0.0, abs=1e-9)
    assert theta_of(dry, warm, soil) == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(soil=soils, degc=temperatures, air=st.floats(1.0, 5.0))
def test_saturated_soil_reads_its_porosity_whatever_air_would_have(soil, degc, air):
    water = float(water_permittivity(np.array([degc]))[0])
    saturated = bulk(soil.porosity, soil.porosity, soil.solid_permittivity, water, soil.exponent, air)
    assert theta_of(saturated, degc, soil) == pytest.approx(soil.porosity, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(soil=soils, degc=temperatures, low=st.floats(1.0, 80.0), step=st.floats(1e-3, 8.0))
def test_it_increases_with_permittivity_whichever_sign_the_exponent_has(soil, degc, low, step):
    assert theta_of(low + step, degc, soil) > theta_of(low, degc, soil)


@settings(max_examples=40, deadline=None)
@given(cold=st.floats(0.0, 30.0), warming=st.floats(0.5, 10.0), permittivity=st.floats(6.0, 25.0))
def test_at_one_permittivity_the_warmer_soil_holds_more_water(cold, warming, permittivity):
    """Warm water has a lower permittivity, so it takes more of it."""
    soil = Mixture(0.45, 3.9, 0.46)
    assert theta_of(permittivity, cold + warming, soil) > theta_of(permittivity, cold, soil)
