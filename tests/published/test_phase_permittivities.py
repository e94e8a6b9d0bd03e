"""Bounds from the permittivity of what soil consists of (mostly MEMORY; each row cites its source): ranges only."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.curves.mixing import ASSUMED_TEMPERATURE_DEGC
from loamline.core.curves.water import water_permittivity
from loamline_schemas.curves import USUAL_DOMAIN
from tests.core.curve_builder import permittivity_of, soil_curve, vwc_of

ROWS = {
    row["material"]: row
    for row in csv.DictReader(
        (Path(__file__).parent / "dielectric_constants_of_phases.csv").read_text(encoding="utf-8").splitlines()
    )
}


def span(material):
    row = ROWS[material]
    return float(row["relative_permittivity_low"]), float(row["relative_permittivity_high"])


def typical(material):
    return float(ROWS[material]["relative_permittivity_typical"])


def test_the_usual_domain_reaches_from_dry_soil_to_free_water():
    assert USUAL_DOMAIN[0] < span("dry mineral soil (bulk)")[0]
    assert USUAL_DOMAIN[1] > span("free liquid water 20 degC")[1]


def test_water_at_20_degc():
    (own,) = water_permittivity(np.array([ASSUMED_TEMPERATURE_DEGC])).tolist()
    assert own == pytest.approx(typical("free liquid water 20 degC"), abs=0.2)


@pytest.mark.parametrize("curve", [soil_curve("ledieu1986"), soil_curve("mixing")], ids=lambda curve: curve.id)
def test_a_curve_reads_next_to_nothing_in_dry_mineral_soil(curve):
    low, high = span("dry mineral soil (bulk)")
    assert low <= permittivity_of(curve, 0.0) <= high


@pytest.mark.parametrize("kind", ["topp1980", "ledieu1986", "malicki1996", "mixing"])
def test_every_published_curve_reads_a_porosity_of_0_45_in_saturated_soil(kind):
    low, high = span("saturated mineral soil (bulk)")
    assert low <= permittivity_of(soil_curve(kind), 0.45) <= high


@settings(max_examples=40, deadline=None)
@given(water=st.floats(0.05, 0.45), frozen=st.floats(0.05, 1.0))
def test_frozen_soil_reads_drier_than_the_same_soil_thawed(water, frozen):
    """Ice has 1/25 of water's permittivity, hence the frost check. Four phases, exponent 0.46, porosity 0.45."""
    a, porosity = 0.46, 0.45
    solids_and_air = (1 - porosity) * 3.9**a + (porosity - water)

    def permittivity(ice):
        return (solids_and_air + (water - ice) * 87.74**a + ice * typical("ice Ih, MHz-GHz") ** a) ** (1 / a)

    topp = soil_curve("topp1980")
    assert vwc_of(topp, permittivity(frozen * water)) < vwc_of(topp, permittivity(0.0))
