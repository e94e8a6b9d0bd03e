"""Which profile a reading belongs to, as placements, layers and crops change over time."""

import numpy as np
import pytest

from loamline.core.soil.profile import Layer
from loamline.core.soil.profiles_of import profiles_of
from loamline.core.soil.water import soil_water_of
from loamline.core.timeline import microseconds
from loamline_schemas.registry import CropRow, SoilRow
from tests.core.registry_builder import SPRING, at, dev_eui, placement

SITES = {"North Field": 0, "South Field": 1}
PROBES = {dev_eui(1): 11, dev_eui(2): 12}
LOAM, SAND, CLAY = (soil_water_of(None, name) for name in ("loam", "sand", "clay"))


def layer(top, bottom, texture, **changes):
    told = {"site": "North Field", "valid_from": SPRING, **changes}
    return SoilRow.model_validate({"top_cm": top, "bottom_cm": bottom, "texture": texture, **told})


def grown(crop, **changes):
    return CropRow.model_validate({"site": "North Field", "crop": crop, "valid_from": SPRING, **changes})


def made(placements, soils=(), crops=()):
    return profiles_of(placements, soils, crops, SITES, PROBES)


def profile_at(profiles, day, site=0, probe=11):
    """Return the profile of a reading at an instant, None for none."""
    when = np.array([microseconds(at(day if "T" in day else f"{day}T00:00:00Z"))])
    number = int(profiles.at(np.array([site]), np.array([probe]), when)[0])
    return None if number < 0 else profiles.profiles[number]


def test_a_probe_has_its_depths_and_without_layer_or_crop_its_texture_and_the_default_root_zone():
    profiles = made([placement(depth_index=1, depth_cm=40), placement(depth_index=0, depth_cm=10)])
    profile = profile_at(profiles, "2026-05-01")
    assert (profile.site, profile.probe, profile.depths_cm) == (0, 11, (10, 40))
    assert (profile.root_depth_m, profile.depletion_fraction) == (0.6, 0.5)
    assert profile.layers == (Layer(0, 60, LOAM),)


def test_between_depths_of_different_texture_the_soil_changes_half_way():
    rows = [placement(depth_index=0, depth_cm=10), placement(depth_index=1, depth_cm=40, texture="sand")]
    assert profile_at(made(rows), "2026-05-01").layers == (Layer(0, 25, LOAM), Layer(25, 60, SAND))


def test_a_told_layer_beats_textures_where_it_lies_and_textures_fill_the_rest():
    profiles = made([placement()], [layer(20, 40, "clay"), layer(40, 50, "clay"), layer(80, 90, "sand")])
    layers = profile_at(profiles, "2026-05-01").layers
    assert layers == (Layer(0, 20, LOAM), Layer(20, 50, CLAY), Layer(50, 60, LOAM))


def test_layers_below_the_roots_are_left_out_and_one_that_reaches_below_is_cut():
    profiles = made([placement()], [layer(0, 100, "clay"), layer(100, 200, "sand")])
    assert profile_at(profiles, "2026-05-01").layers == (Layer(0, 60, CLAY),)


def test_a_corrected_layer_holds_from_its_own_beginning():
    profiles = made([placement()], [layer(0, 100, "clay"), layer(0, 100, "sand", valid_from="2026-06-01T00:00:00Z")])
    assert profile_at(profiles, "2026-05-31T23:59:59Z").layers == (Layer(0, 60, CLAY),)
    assert profile_at(profiles, "2026-06-01").layers == (Layer(0, 60, SAND),)


def test_of_two_layers_that_began_together_the_one_told_last_holds():
    profiles = made([placement()], [layer(0, 100, "clay"), layer(0, 100, "sand")])
    assert profile_at(profiles, "2026-05-01").layers == (Layer(0, 60, SAND),)


def test_an_ended_layer_does_not_give_way_to_an_older_one():
    ended = {"valid_from": "2026-06-01T00:00:00Z", "valid_to": "2026-07-01T00:00:00Z"}
    profiles = made([placement()], [layer(0, 100, "clay"), layer(0, 100, "sand", **ended)])
    assert profile_at(profiles, "2026-07-01").layers == (Layer(0, 60, LOAM),)


def test_a_crop_decides_root_depth_and_depletion_while_it_grows():
    profiles = made([placement()], crops=[grown("potato", valid_to="2026-09-01T00:00:00Z")])
    assert profile_at(profiles, "2026-08-31").depletion_fraction == 0.35
    after = profile_at(profiles, "2026-09-01")
    assert (after.root_depth_m, after.depletion_fraction) == (0.6, 0.5)


def test_a_depth_that_is_lifted_or_added_makes_a_new_profile():
    profiles = made(
        [
            placement(depth_index=0, depth_cm=10),
            placement(depth_index=1, depth_cm=40, valid_from="2026-05-01T00:00:00Z", valid_to="2026-07-01T00:00:00Z"),
        ]
    )
    assert profile_at(profiles, "2026-04-30").depths_cm == (10,)
    assert profile_at(profiles, "2026-05-01").depths_cm == (10, 40)
    assert profile_at(profiles, "2026-07-01").depths_cm == (10,)
    assert len(profiles.profiles) == 2


def test_a_probe_that_moves_leaves_its_first_site():
    """The later placement of the same depth ends the earlier one, told or not."""
    profiles = made([placement(), placement(site="South Field", valid_from="2026-06-01T00:00:00Z")])
    assert profile_at(profiles, "2026-05-31", site=0) is not None
    assert profile_at(profiles, "2026-06-01", site=0) is None
    assert profile_at(profiles, "2026-05-31", site=1) is None
    assert profile_at(profiles, "2026-06-01", site=1).site == 1


def test_readings_before_any_placement_or_of_strangers_have_no_profile():
    profiles = made([placement()])
    assert profile_at(profiles, "2026-02-28") is None
    assert profile_at(profiles, "2026-05-01", probe=12) is None
    assert profile_at(made([]), "2026-05-01") is None


def test_two_probes_of_a_site_have_a_profile_each():
    profiles = made([placement(1), placement(2, depth_cm=20)])
    assert profile_at(profiles, "2026-05-01", probe=11).depths_cm == (10,)
    assert profile_at(profiles, "2026-05-01", probe=12).depths_cm == (20,)


def test_an_unknown_crop_is_refused():
    with pytest.raises(ValueError, match="expected a crop of FAO-56 Table 22, got 'triffid'"):
        made([placement()], crops=[grown("triffid")])
