"""Ledieu, de Ridder, de Clerck & Dautrebande 1986, J. Hydrol. 88:319-328: theta = 0.1138 sqrt(Ka) - 0.1758.

Coefficients FOUND, tabulated figures COMPUTED from them. Beside them stand Topp et al. 1980 (FOUND), Ferre et al.
1996 and Topp & Reynolds 1998 (MEMORY: neighbours to compare with, no authority).
"""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.curves.published import LEDIEU_1986
from tests.core.curve_builder import permittivity_of, soil_curve, vwc_of

ROWS = list(csv.DictReader((Path(__file__).parent / "dielectric_sqrt_calibrations.csv").read_text().splitlines()))
LEDIEU, TOPP = soil_curve("ledieu1986"), soil_curve("topp1980")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["Ka_dimensionless"])
def test_water_content_of_every_tabulated_permittivity(row):
    permittivity = float(row["Ka_dimensionless"])
    assert vwc_of(LEDIEU, permittivity) == pytest.approx(float(row["theta_ledieu1986_m3_m3"]), abs=1e-6)
    assert vwc_of(TOPP, permittivity) == pytest.approx(float(row["theta_topp1980_m3_m3"]), abs=1e-6)


@pytest.mark.parametrize("row", [row for row in ROWS if float(row["Ka_dimensionless"]) <= 40])
def test_in_the_range_of_field_soils_it_stands_near_its_neighbours(row):
    """Within 0.04 m3/m3 of Topp, Ferre, and Topp & Reynolds up to a permittivity of 40."""
    own = vwc_of(LEDIEU, float(row["Ka_dimensionless"]))
    for name in ("theta_topp1980_m3_m3", "theta_ferre1996_m3_m3", "theta_topp_reynolds1998_m3_m3"):
        assert abs(own - float(row[name])) < 0.04


@settings(max_examples=60, deadline=None)
@given(permittivity=st.floats(1.8, 20.25))
def test_it_is_a_straight_line_in_the_square_root(permittivity):
    """theta(4 Ka) - theta(Ka) = slope sqrt(Ka)."""
    step = vwc_of(LEDIEU, 4 * permittivity) - vwc_of(LEDIEU, permittivity)
    assert step == pytest.approx(LEDIEU_1986[1] * math.sqrt(permittivity), abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(permittivity=st.floats(1.8, 81.0))
def test_there_and_back_by_root_search(permittivity):
    assert permittivity_of(LEDIEU, vwc_of(LEDIEU, permittivity)) == pytest.approx(permittivity, abs=1e-9)
