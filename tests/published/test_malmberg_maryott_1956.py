"""The permittivity of water: Malmberg & Maryott 1956, J. Res. NBS 56:1-8 (FOUND; tabulated figures COMPUTED).

Beside it: Kaatze 1989, J. Chem. Eng. Data 34:371-374 (coefficients MEMORY), IAPWS R8-97 (COMPUTED with iapws 1.5.5)
and the CRC Handbook (MEMORY).
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.curves.water import water_permittivity, water_permittivity_per_k

ROWS = list(csv.DictReader((Path(__file__).parent / "dielectric_water_vs_temperature.csv").read_text().splitlines()))
OTHERS = ("eps_static_kaatze_1989", "eps_static_IAPWS_R8-97_at_101.325kPa", "eps_static_CRC_handbook_MEMORY")


def at(degc):
    return float(water_permittivity(np.array([degc]))[0])


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["temperature_degC"])
def test_every_tabulated_temperature(row):
    own = at(float(row["temperature_degC"]))
    assert own == pytest.approx(float(row["eps_static_malmberg_maryott_1956"]), abs=1e-4)
    for name in OTHERS:
        if row[name]:
            assert own == pytest.approx(float(row[name]), abs=0.2)


@pytest.mark.parametrize(("degc", "most"), [(0, 0.18), (25, 0.12)])
def test_three_formulas_agree_where_they_were_compared(degc, most):
    (row,) = [row for row in ROWS if row["temperature_degC"] == str(degc)]
    figures = [at(degc), *(float(row[name]) for name in OTHERS[:2])]
    assert max(figures) - min(figures) <= most


@given(degc=st.floats(0.0, 50.0))
def test_it_falls_by_0_31_to_0_40_a_kelvin(degc):
    assert 0.31 <= -float(water_permittivity_per_k(np.array([degc]))[0]) <= 0.4001


@pytest.mark.parametrize(("beyond", "end"), [(-12.0, 0.0), (327.0, 100.0)])
def test_beyond_the_measured_temperatures_nothing_is_extrapolated(beyond, end):
    assert at(beyond) == at(end)
    assert water_permittivity_per_k(np.array([beyond])).tolist() == [0.0]


def test_without_a_temperature_there_is_no_figure():
    assert np.isnan(at(np.nan))
