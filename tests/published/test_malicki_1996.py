"""Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366: the soil curve that knows the bulk density.

theta = (sqrt(Ka) - 0.819 - 0.168 r - 0.159 r^2) / (7.17 + 1.18 r). Coefficients FOUND in two public source files,
tabulated figures COMPUTED from them.
"""

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.core.curve_builder import permittivity_of, soil_curve, vwc_of

ROWS = list(
    csv.DictReader((Path(__file__).parent / "dielectric_malicki1996_bulk_density.csv").read_text().splitlines())
)


def malicki(bulk_density):
    return soil_curve("malicki1996", bulk_density_g_cm3=float(bulk_density))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['bulk_density_g_cm3']}-{row['Ka_dimensionless']}")
def test_every_tabulated_density_and_permittivity_there_and_back(row):
    curve, permittivity = malicki(row["bulk_density_g_cm3"]), float(row["Ka_dimensionless"])
    vwc = vwc_of(curve, permittivity)
    assert vwc == pytest.approx(float(row["theta_m3_m3"]), abs=1e-6)
    assert permittivity_of(curve, vwc) == pytest.approx(float(row["Ka_dimensionless_roundtrip"]), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(density=st.floats(0.2, 2.65), permittivity=st.floats(1.8, 81.0))
def test_the_equations_own_algebraic_inverse_leads_back(density, permittivity):
    """Ka = (0.819 + 0.168 r + 0.159 r^2 + theta (7.17 + 1.18 r))^2."""
    vwc = vwc_of(malicki(density), permittivity)
    root = 0.819 + 0.168 * density + 0.159 * density**2 + vwc * (7.17 + 1.18 * density)
    assert root**2 == pytest.approx(permittivity, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(density=st.floats(0.5, 1.69), step=st.floats(0.01, 0.5), permittivity=st.floats(3.0, 80.0))
def test_at_one_permittivity_the_denser_soil_holds_less_water(density, step, permittivity):
    """Its solids account for more of the permittivity: densities 0.5 to 1.7, permittivities 3 to 80."""
    denser = min(1.7, density + step)
    assert vwc_of(malicki(denser), permittivity) < vwc_of(malicki(density), permittivity)


@settings(max_examples=40, deadline=None)
@given(density=st.floats(0.2, 2.65), low=st.floats(1.8, 70.0), step=st.floats(1e-6, 11.0))
def test_it_increases_with_permittivity(density, low, step):
    assert vwc_of(malicki(density), low + step) > vwc_of(malicki(density), low)
