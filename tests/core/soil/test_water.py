"""What water a layer holds: measured beats equations beats class table, and a mix has to make sense."""

import re

import pytest

from loamline.core.soil.water import SoilWater, soil_water_of
from loamline_schemas.registry import SoilRow

LOAM_TABLE = "Saxton & Rawls 2006, Table 3, loam"


def layer(**told):
    row = {"site": "North Field", "top_cm": 0, "bottom_cm": 30, "valid_from": "2026-03-01T00:00:00Z", **told}
    return SoilRow.model_validate(row)


def test_without_a_layer_the_placements_class_holds():
    water = soil_water_of(None, "loam")
    assert water.figures == (0.14, 0.28, 0.46)
    assert water.origins == (LOAM_TABLE,) * 3


def test_a_layers_own_class_beats_the_placements():
    assert soil_water_of(layer(texture="loam"), "sand").figures == (0.14, 0.28, 0.46)


def test_particle_sizes_beat_the_class():
    """20 % sand, 20 % clay, 2.5 % organic matter: the worked example of tests/published/test_saxton_rawls_2006.py."""
    water = soil_water_of(layer(texture="sand", sand_percent=20, clay_percent=20, organic_matter_percent=2.5), "sand")
    assert water.figures == pytest.approx((0.1365448, 0.3208775, 0.4821250), abs=5e-8)
    assert water.origins[0] == "Saxton & Rawls 2006, equations at sand 20 %, clay 20 %, organic matter 2.5 %"


def test_organic_matter_that_nobody_told_is_supposed_as_in_the_table_and_said_so():
    told = soil_water_of(layer(sand_percent=20, clay_percent=20, organic_matter_percent=2.5), "sand")
    supposed = soil_water_of(layer(sand_percent=20, clay_percent=20), "sand")
    assert supposed.figures == told.figures
    assert supposed.origins[0].endswith("organic matter 2.5 % (supposed, as in their Table 3)")


def test_measured_figures_beat_everything_and_need_nothing_else():
    water = soil_water_of(layer(wilting_point=0.1, field_capacity=0.25, saturation=0.4, source="ring samples"), "clay")
    assert water == SoilWater(0.1, 0.25, 0.4, ("measured: ring samples",) * 3)


def test_one_measured_figure_stands_beside_computed_ones():
    water = soil_water_of(layer(texture="loam", field_capacity=0.31), "sand")
    assert water.figures == (0.14, 0.31, 0.46)
    assert water.origins == (LOAM_TABLE, "measured", LOAM_TABLE)


def test_a_measured_figure_that_contradicts_a_computed_one_is_refused_with_both():
    sentence = (
        "expected wilting_point under field_capacity under saturation, from 0 to 1 m3/m3, got wilting_point 0.14 "
        f"({LOAM_TABLE}), field_capacity 0.12 (measured), saturation 0.46 ({LOAM_TABLE}); "
        "measure all three, or correct the one that is wrong"
    )
    with pytest.raises(ValueError, match=re.escape(sentence)):
        soil_water_of(layer(texture="loam", field_capacity=0.12), "sand")


def test_a_measured_saturation_under_the_computed_field_capacity_is_refused():
    with pytest.raises(ValueError, match=r"saturation 0\.25 \(measured\)"):
        soil_water_of(layer(texture="loam", saturation=0.25), "sand")


@pytest.mark.parametrize(
    ("told", "texture", "why"),
    [
        ({"sand_percent": 10, "clay_percent": 70}, "clay", "the equations hold up to 60 % clay"),
        ({"sand_percent": 100, "clay_percent": 0, "organic_matter_percent": 0}, "sand", "the equations give no "),
    ],
)
def test_sizes_that_the_equations_do_not_reach_have_their_classs_table_and_the_reason(told, texture, why):
    water = soil_water_of(layer(**told), "loam")
    assert water.figures == soil_water_of(None, texture).figures
    assert water.origins[0].startswith(f"Saxton & Rawls 2006, Table 3, {texture}, since {why}")


def test_a_told_class_beats_that_of_sizes_which_the_equations_do_not_reach():
    water = soil_water_of(layer(texture="silty clay", sand_percent=10, clay_percent=70), "loam")
    assert water.figures == soil_water_of(None, "silty clay").figures


def test_a_measured_figure_equal_to_a_computed_one_is_refused():
    with pytest.raises(ValueError, match=r"wilting_point 0\.14 .*, field_capacity 0\.14 \(measured\)"):
        soil_water_of(layer(texture="loam", field_capacity=0.14), "sand")


@pytest.mark.parametrize("told", [{"texture": "loam"}, {"sand_percent": 40, "clay_percent": 20}])
def test_an_organic_soil_has_to_be_measured(told):
    sentence = (
        "expected organic_matter_percent at most 8, which Saxton & Rawls 2006 hold for, got 30; "
        "give wilting_point, field_capacity and saturation as measured"
    )
    with pytest.raises(ValueError, match=re.escape(sentence)):
        soil_water_of(layer(organic_matter_percent=30, **told), "loam")
    measured = layer(organic_matter_percent=30, wilting_point=0.3, field_capacity=0.6, saturation=0.8, **told)
    assert soil_water_of(measured, "loam").figures == (0.3, 0.6, 0.8)


def test_an_unknown_class_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match="expected one of the 12 USDA texture classes"):
        soil_water_of(None, "loess")
