"""Storage of a profile in mm: the line through the depths, integrated from the surface to the root depth."""

import itertools
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from loamline.core.soil.profile import (
    Layer,
    Profile,
    profile_storage,
    profile_water,
    site_storage,
    storage_weights_mm,
)
from loamline.core.soil.water import soil_water_of

LOAM, SAND = soil_water_of(None, "loam"), soil_water_of(None, "sand")

depths = st.lists(st.integers(1, 200), min_size=1, max_size=6, unique=True).map(sorted)
content = st.floats(0, 0.6)


def make_profile(*depths_cm, root_cm=60, site=0, probe=0, p=0.5, layers=((0, 300, LOAM),)):
    told = tuple(Layer(*layer) for layer in layers)
    return Profile(site, probe, tuple(map(float, depths_cm)), root_cm / 100, p, told)


def store(profiles, rows, **how):
    """Return the storage of rows (profile, depth, hour, vwc) or (profile, depth, hour, vwc, counts)."""
    columns = [*zip(*((*row, True)[:5] for row in rows), strict=True)] or [[]] * 5
    profile, depth, hour, vwc, counts = columns
    return profile_storage(
        profiles,
        np.array(profile, dtype=np.int64),
        np.array(depth, dtype=np.float64),
        np.array(hour, dtype=np.int64),
        np.array(vwc, dtype=np.float64),
        np.array(counts, dtype=np.bool_),
        **how,
    )


# --- the formula --------------------------------------------------------------------------------------------------


def test_the_weights_of_the_drawing():
    """Depths 10, 20 and 40 cm, roots to 60 cm."""
    z1, z2, z3, zr = 100, 200, 400, 600
    drawn = [z1 + (z2 - z1) / 2, (z3 - z1) / 2, (z3 - z2) / 2 + (zr - z3)]
    assert storage_weights_mm([10, 20, 40], 60).tolist() == pytest.approx(drawn)


def test_of_a_depth_below_the_roots_only_what_the_line_reaches_up_to_them_counts():
    """From 20 to 30 cm the tent of 40 cm rises from 0 to 1/2: 100 mm at 1/4 on average."""
    assert storage_weights_mm([20, 40], 30).tolist() == pytest.approx([200 + 75, 25])


def test_depths_wholly_below_the_second_that_lies_below_the_roots_count_nothing():
    assert storage_weights_mm([20, 40, 80], 30).tolist() == pytest.approx([275, 25, 0])


def test_a_single_depth_stands_for_the_whole_profile():
    assert storage_weights_mm([30], 60).tolist() == [600]
    assert storage_weights_mm([90], 60).tolist() == [600]


@settings(max_examples=100, deadline=None)
@given(depths_cm=depths, data=st.data(), root_cm=st.integers(5, 250))
def test_storage_is_the_integral_of_the_line_through_the_readings(depths_cm, data, root_cm):
    """Against adaptive quadrature of the line, written out as cases."""
    vwc = data.draw(st.lists(content, min_size=len(depths_cm), max_size=len(depths_cm)))

    def line(z):
        if z <= depths_cm[0]:
            return vwc[0]
        for upper, lower, above, below in zip(depths_cm, depths_cm[1:], vwc, vwc[1:], strict=False):
            if z <= lower:
                return above + (below - above) * (z - upper) / (lower - upper)
        return vwc[-1]

    edges = [0, *(z for z in depths_cm if z < root_cm), root_cm]
    integral_mm = 10 * sum(quad(line, low, high)[0] for low, high in itertools.pairwise(edges))
    made = store(
        [make_profile(*depths_cm, root_cm=root_cm)], [(0, z, 7, v) for z, v in zip(depths_cm, vwc, strict=True)]
    )
    assert made.storage_mm[0] == pytest.approx(integral_mm, abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(depths_cm=depths, vwc=content, root_cm=st.integers(5, 250))
def test_a_uniform_profile_holds_its_water_content_times_its_depth(depths_cm, vwc, root_cm):
    made = store([make_profile(*depths_cm, root_cm=root_cm)], [(0, z, 0, vwc) for z in depths_cm])
    assert made.storage_mm[0] == pytest.approx(vwc * root_cm * 10, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(depths_cm=depths, data=st.data(), root_cm=st.integers(5, 250))
def test_more_water_at_any_depth_is_never_less_in_the_profile(depths_cm, data, root_cm):
    drier = data.draw(st.lists(content, min_size=len(depths_cm), max_size=len(depths_cm)))
    more = data.draw(st.lists(st.floats(0, 0.2), min_size=len(depths_cm), max_size=len(depths_cm)))
    rows = [(0, z, 0, v) for z, v in zip(depths_cm, drier, strict=True)]
    rows += [(0, z, 1, v + m) for z, v, m in zip(depths_cm, drier, more, strict=True)]
    made = store([make_profile(*depths_cm, root_cm=root_cm)], rows)
    assert made.storage_mm[0] <= made.storage_mm[1]


# --- hours, depths and verdicts -----------------------------------------------------------------------------------


def test_readings_of_a_depth_within_the_hour_are_averaged_first():
    made = store([make_profile(20, 40)], [(0, 20, 5, 0.1), (0, 20, 5, 0.3), (0, 40, 5, 0.2)])
    assert made.storage_mm.tolist() == pytest.approx([120])
    assert made.depths.tolist() == [2]


def test_every_hour_and_profile_stands_by_itself_in_order():
    profiles = [make_profile(20), make_profile(30, root_cm=50)]
    made = store(profiles, [(1, 30, 4, 0.2), (0, 20, 9, 0.3), (0, 20, 4, 0.1)])
    assert made.profile.tolist() == [0, 0, 1]
    assert made.hour.tolist() == [4, 9, 4]
    assert made.storage_mm.tolist() == pytest.approx([60, 180, 100])


def test_a_depth_that_is_missing_leaves_the_storage_of_that_hour_unknown():
    made = store([make_profile(20, 40)], [(0, 20, 5, 0.2), (0, 20, 6, 0.2), (0, 40, 6, 0.2)])
    np.testing.assert_allclose(made.storage_mm, [np.nan, 120])
    assert made.depths.tolist() == [1, 2]


def test_on_request_the_line_runs_through_the_depths_that_are_there():
    made = store([make_profile(20, 40)], [(0, 20, 5, 0.2)], without_missing_depths=True)
    assert made.storage_mm.tolist() == pytest.approx([120])
    assert made.depths.tolist() == [1]


def test_a_reading_whose_verdict_does_not_count_is_left_out_of_the_average():
    made = store([make_profile(20)], [(0, 20, 5, 0.2), (0, 20, 5, 0.9, False), (0, 20, 6, 0.9, False)])
    np.testing.assert_allclose(made.storage_mm, [120, np.nan])
    assert made.depths.tolist() == [1, 0]


def test_a_reading_without_water_content_never_counts():
    made = store([make_profile(20)], [(0, 20, 5, 0.2), (0, 20, 5, np.nan)], without_missing_depths=True)
    assert made.storage_mm.tolist() == pytest.approx([120])
    assert np.isnan(store([make_profile(20)], [(0, 20, 5, np.nan)], without_missing_depths=True).storage_mm[0])


def test_readings_of_no_profile_are_left_aside():
    made = store([make_profile(20)], [(-1, 77, 5, 0.2), (0, 20, 5, 0.2)])
    assert made.storage_mm.tolist() == pytest.approx([120])
    assert len(store([], []).hour) == 0


def test_a_reading_at_a_depth_that_its_profile_has_not_is_refused():
    with pytest.raises(
        ValueError, match=re.escape("expected a depth of profile 0 (20, 40 cm), got a reading at 25 cm")
    ):
        store([make_profile(20, 40)], [(0, 25, 5, 0.2)])


def test_an_average_is_the_same_bit_for_bit_where_a_sum_depends_on_the_order():
    """0.1 + 0.2 + 0.3 and 0.3 + 0.2 + 0.1 differ in their last bit."""
    rows = [(0, 20, 5, 0.1), (0, 20, 5, 0.2), (0, 20, 5, 0.3)]
    assert 0.1 + 0.2 + 0.3 != 0.3 + 0.2 + 0.1
    assert store([make_profile(20)], rows).storage_mm[0] == store([make_profile(20)], rows[::-1]).storage_mm[0]


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_the_order_of_readings_changes_no_bit(data):
    one = st.tuples(st.integers(0, 1), st.sampled_from([10.0, 20.0, 40.0]), st.integers(0, 2), content, st.booleans())
    rows = data.draw(st.lists(one, max_size=40))
    profiles = [make_profile(10, 20, 40, probe=0), make_profile(10, 20, 40, probe=1)]
    one_way = store(profiles, rows, without_missing_depths=True)
    other_way = store(profiles, data.draw(st.permutations(rows)), without_missing_depths=True)
    np.testing.assert_array_equal(one_way.storage_mm, other_way.storage_mm)
    np.testing.assert_array_equal(one_way.depths, other_way.depths)


@settings(max_examples=60, deadline=None)
@given(vwc=st.lists(content, min_size=1, max_size=20), others=st.lists(content, max_size=20))
def test_other_hours_in_the_batch_change_no_bit(vwc, others):
    rows = [(0, 10, 5, v) for v in vwc] + [(0, 40, 5, 0.2)]
    alone = store([make_profile(10, 40)], rows)
    among = store([make_profile(10, 40)], [(0, 10, 1, v) for v in others] + rows)
    assert among.storage_mm[-1] == alone.storage_mm[0]


# --- several probes at a site -------------------------------------------------------------------------------------


def test_a_sites_storage_is_the_mean_of_its_profiles_with_their_count():
    profiles = [make_profile(20, site=8, probe=1), make_profile(20, 40, site=8, probe=2), make_profile(20, site=3)]
    rows = [(0, 20, 5, 0.1), (1, 20, 5, 0.2), (1, 40, 5, 0.2), (2, 20, 5, 0.3)]
    made = site_storage(profiles, store(profiles, rows))
    assert made.site.tolist() == [3, 8]
    assert made.storage_mm.tolist() == pytest.approx([180, 90])
    assert made.profiles.tolist() == [1, 2]
    assert made.silent.tolist() == [0, 0]


def test_a_profile_without_storage_that_hour_is_counted_and_not_averaged():
    profiles = [make_profile(20, probe=1), make_profile(20, 40, probe=2)]
    rows = [(0, 20, 5, 0.1), (1, 20, 5, 0.2), (1, 20, 6, 0.2)]
    made = site_storage(profiles, store(profiles, rows))
    np.testing.assert_allclose(made.storage_mm, [60, np.nan])
    assert made.profiles.tolist() == [1, 0]
    assert made.silent.tolist() == [1, 1]
    assert len(site_storage([], store([], [])).site) == 0


# --- total and readily available water ----------------------------------------------------------------------------


def test_available_water_of_one_layer_is_eq_82_and_83_of_fao_56():
    water = profile_water(make_profile(20, root_cm=60, p=0.35))
    assert water.total_available_mm == pytest.approx(1000 * (0.28 - 0.14) * 0.6)
    assert water.readily_available_mm == pytest.approx(0.35 * water.total_available_mm)


def test_every_layer_counts_with_its_own_figures_down_to_the_root_depth():
    """30 cm of loam, then sand of which roots reach 10 cm."""
    water = profile_water(make_profile(20, root_cm=40, layers=[(0, 30, LOAM), (30, 90, SAND), (90, 300, LOAM)]))
    assert water.wilting_point_mm == pytest.approx(300 * 0.14 + 100 * 0.05)
    assert water.field_capacity_mm == pytest.approx(300 * 0.28 + 100 * 0.10)
    assert water.total_available_mm == pytest.approx(300 * 0.14 + 100 * 0.05)


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"layers": [(0, 30, LOAM)]}, "expected layers without gaps from 0 to 60 cm, got 0 to 30"),
        (
            {"layers": [(0, 30, LOAM), (40, 90, SAND)]},
            "expected layers without gaps from 0 to 60 cm, got 0 to 30, 40 to 90",
        ),
        ({"layers": []}, "expected layers without gaps from 0 to 60 cm, got none"),
        ({"root_cm": 0}, "expected root_depth_m above 0, got 0"),
    ],
)
def test_a_profile_that_is_none_is_refused(told, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        make_profile(20, **told)
    with pytest.raises(ValueError, match="expected one or more rising depths_cm"):
        make_profile(40, 20)
