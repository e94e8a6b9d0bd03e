"""Crops by name, and what holds where none was told; the table's figures are checked in tests/published/."""

import re

import pytest

from loamline.core.soil.crop_table import OTHER_NAMES, TABLE_22
from loamline.core.soil.crops import RootZone, crop_named, root_zone_of
from loamline_schemas.registry import CropRow


def grown(crop, **told):
    row = {"site": "North Field", "crop": crop, "valid_from": "2026-03-01T00:00:00Z", **told}
    return CropRow.model_validate(row)


def test_capitals_and_punctuation_make_no_other_crop():
    assert crop_named("Grapes, wine") == crop_named("grapes wine")
    assert crop_named("Tea (non-shaded)").name == "tea non-shaded"


@pytest.mark.parametrize(("other", "name"), OTHER_NAMES.items())
def test_another_name_finds_its_row_and_hides_none(other, name):
    assert crop_named(other).name == name
    assert other not in TABLE_22


def test_an_unknown_crop_is_refused_with_the_names_that_share_a_word():
    sentence = "expected a crop of FAO-56 Table 22, got 'wheat'; close to it are spring wheat, winter wheat"
    with pytest.raises(ValueError, match=f"^{re.escape(sentence)}"):
        crop_named("wheat")


def test_a_misspelt_crop_is_refused_with_the_names_spelt_alike():
    with pytest.raises(ValueError, match=r"got 'tomatoe'; close to it are tomato"):
        crop_named("tomatoe")


def test_a_crop_like_none_is_refused_plainly():
    with pytest.raises(ValueError, match=r"got 'xyzzy'; none of its names comes close$"):
        crop_named("xyzzy")


def test_a_crop_draws_to_the_greatest_root_depth_and_p_of_the_table():
    tabled = "FAO-56 Table 22, potato"
    assert root_zone_of(grown("Potato")) == RootZone(0.6, 0.35, tabled, tabled)


def test_a_rows_own_figures_beat_the_table_one_by_one():
    zone = root_zone_of(grown("potato", root_depth_m=0.45))
    assert zone == RootZone(0.45, 0.35, "told for potato", "FAO-56 Table 22, potato")
    zone = root_zone_of(grown("potato", depletion_fraction=0.25))
    assert zone == RootZone(0.6, 0.25, "FAO-56 Table 22, potato", "told for potato")


def test_a_crop_beyond_the_table_needs_both_figures_of_its_own():
    zone = root_zone_of(grown("street lime", root_depth_m=1.2, depletion_fraction=0.5))
    assert (zone.root_depth_m, zone.depletion_fraction) == (1.2, 0.5)
    with pytest.raises(
        ValueError, match=r"got 'street lime'; .*; or give root_depth_m and depletion_fraction of its own$"
    ):
        root_zone_of(grown("street lime", root_depth_m=1.2))


def test_without_a_crop_common_practice_holds_and_says_so():
    zone = root_zone_of(None)
    assert (zone.root_depth_m, zone.depletion_fraction) == (0.6, 0.5)
    assert zone.root_depth_origin == "no crop told: common practice"
    assert zone.depletion_fraction_origin == "no crop told: FAO-56 chapter 8, commonly used for many crops"
