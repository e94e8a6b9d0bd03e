"""What of a water content is left for plants, and which zone it stands in; FAO-56's cases are in tests/published/."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.soil.available import (
    NO_ZONE,
    plant_available_fraction,
    zone_bounds,
    zones,
)
from loamline_schemas.verdicts import Zone

NAN = float("nan")
LOAM = (0.14, 0.28)
content = st.floats(0, 0.6)


def test_the_fraction_is_0_at_the_wilting_point_and_1_at_field_capacity_and_goes_on_beyond():
    told = plant_available_fraction(np.array([0.14, 0.21, 0.28, 0.07, 0.35, NAN]), *LOAM)
    np.testing.assert_allclose(told, [0, 0.5, 1, -0.5, 1.5, NAN], atol=1e-12)


def test_without_a_soil_there_is_no_fraction():
    assert np.isnan(plant_available_fraction(0.2, [NAN, 0.1, 0.2, 0.3], [0.3, NAN, 0.2, 0.2])).all()


@settings(max_examples=60, deadline=None)
@given(wp=st.floats(0.02, 0.3), paw=st.floats(0.02, 0.25), part=st.floats(-1, 2))
def test_the_fraction_gives_the_water_content_back(wp, paw, part):
    assert plant_available_fraction(wp + part * paw, wp, wp + paw)[0] == pytest.approx(part, abs=1e-9)


def bounds(**own):
    told = zone_bounds(*LOAM, 0.5, **own)
    return float(told.deficit_below[0]), float(told.excess_above[0])


def test_by_soil_and_crop_deficit_begins_below_readily_available_water_and_excess_above_field_capacity():
    assert bounds() == pytest.approx((0.21, 0.28))


def test_a_placements_own_thresholds_beat_them_one_by_one():
    assert bounds(own_deficit_below=0.18) == pytest.approx((0.18, 0.28))
    assert bounds(own_excess_above=0.33) == pytest.approx((0.21, 0.33))
    assert bounds(own_deficit_below=0.18, own_excess_above=0.33) == pytest.approx((0.18, 0.33))


def test_an_own_threshold_moves_the_others_default_out_of_its_way():
    assert bounds(own_deficit_below=0.30) == (0.30, 0.30)
    assert bounds(own_excess_above=0.19) == (0.19, 0.19)


def test_both_bounds_are_adequate_and_what_lies_beyond_is_not():
    low, high = 0.25, 0.375
    vwc = np.array([np.nextafter(low, 0), low, 0.3, high, np.nextafter(high, 1)])
    told = zones(vwc, zone_bounds(*LOAM, 0.5, low, high))
    assert told.tolist() == [Zone.DEFICIT, Zone.ADEQUATE, Zone.ADEQUATE, Zone.ADEQUATE, Zone.EXCESS]
    assert told.dtype == np.uint8


def test_without_a_water_content_or_a_bound_there_is_no_zone():
    assert zones(np.array([NAN]), zone_bounds(*LOAM, 0.5)).tolist() == [NO_ZONE]
    assert zones(np.array([0.2]), zone_bounds(NAN, NAN, 0.5)).tolist() == [NO_ZONE]
    assert zones(np.array([0.2]), zone_bounds(NAN, NAN, 0.5, 0.1, 0.3)).tolist() == [Zone.ADEQUATE]


@settings(max_examples=100, deadline=None)
@given(
    wp=st.floats(0.02, 0.3),
    paw=st.floats(0.02, 0.25),
    p=st.floats(0.1, 0.8),
    vwc=content,
    more=content,
    own_low=st.none() | content,
    own_high=st.none() | content,
)
def test_a_wetter_sample_never_stands_in_a_drier_zone(wp, paw, p, vwc, more, own_low, own_high):
    if own_low is not None and own_high is not None:
        own_low, own_high = sorted((own_low, own_high))
    told = zone_bounds(wp, wp + paw, p, NAN if own_low is None else own_low, NAN if own_high is None else own_high)
    assert told.deficit_below <= told.excess_above
    dry, wet = (int(zones(np.array([figure]), told)[0]) for figure in (vwc, vwc + more))
    assert Zone.DEFICIT <= dry <= wet <= Zone.EXCESS
