"""What the registry says of a sample: which record, placement, curves and limits hold at its instant."""

import numpy as np
import pytest
from pydantic import ValidationError

from loamline.core.limit_layers import resolve_limits
from loamline.core.reference import RegistryState, microseconds
from loamline_schemas.limits import Limits, LimitsFile
from tests.core.registry_builder import at, placement, probe, registry, state, topp, transducer


def resolved(told: RegistryState, *samples):
    """Look up samples, each (probe id, depth index, RFC 3339 instant); the rows found, None for none."""
    compiled = registry(told)
    ids, depths, instants = zip(*samples, strict=True)
    found = compiled.states[1].resolve(
        np.array(ids), np.array(depths), np.array([microseconds(at(i)) for i in instants])
    )
    lists = {
        "probe": compiled.catalogue.probes,
        "placement": compiled.catalogue.placements,
        "transducer": compiled.catalogue.curves,
        "soil": compiled.catalogue.curves,
        "limits": compiled.catalogue.limits,
    }
    return [
        {
            name: interned.rows[index] if (index := getattr(found, name)[row]) >= 0 else None
            for name, interned in lists.items()
        }
        for row in range(len(samples))
    ]


def names(told, what, *samples):
    """Return the ids of the curves found for samples."""
    return [found[what].id if found[what] else None for found in resolved(told, *samples)]


MAY, JUNE, JULY = "2026-05-01T00:00:00Z", "2026-06-01T00:00:00Z", "2026-07-01T00:00:00Z"


# --- placements ---------------------------------------------------------------------------------------------------


def test_a_placement_holds_from_its_first_instant_and_no_longer_at_its_last():
    told = state(placements=(placement(valid_from=MAY, valid_to=JUNE),))
    before, first, last, after = resolved(
        told,
        (1, 0, "2026-04-30T23:59:59.999999Z"),
        (1, 0, MAY),
        (1, 0, "2026-05-31T23:59:59.999999Z"),
        (1, 0, JUNE),
    )
    assert [found["placement"] is not None for found in (before, first, last, after)] == [False, True, True, False]


def test_a_moved_probe_sits_where_it_sat_at_the_samples_instant():
    places = (
        placement(label="row 9", valid_from=JULY),
        placement(label="row 1", valid_from=MAY, valid_to=JUNE),
        placement(label="row 5", valid_from=JUNE, valid_to="2026-06-15T00:00:00Z"),
    )
    instants = (MAY, JUNE, "2026-06-20T00:00:00Z", JULY, "2027-01-01T00:00:00Z")
    found = resolved(state(placements=places), *((1, 0, instant) for instant in instants))
    assert [one["placement"].label if one["placement"] else None for one in found] == [
        "row 1",
        "row 5",
        None,
        "row 9",
        "row 9",
    ]


def test_a_probe_never_takes_the_placement_of_another_that_moved_more_often_or_stayed_longer():
    places = (
        placement(1, valid_to=MAY),
        placement(1, valid_from=MAY),
        placement(2, valid_to=MAY),
        placement(3),
    )
    told = state(probes=(probe(1), probe(2), probe(3)), placements=places)
    found = resolved(told, (1, 0, JULY), (2, 0, JULY), (2, 0, "2026-04-01T00:00:00Z"))
    assert [one["placement"] for one in found] == [placement(1, valid_from=MAY), None, placement(2, valid_to=MAY)]


def test_every_depth_has_a_placement_of_its_own():
    told = state(placements=(placement(depth_cm=10), placement(depth_index=1, depth_cm=30)))
    found = resolved(told, (1, 0, MAY), (1, 1, MAY), (1, 2, MAY))
    assert [one["placement"].depth_cm if one["placement"] else None for one in found] == [10, 30, None]


def test_a_probe_that_nobody_registered_has_nothing_but_the_default_limits():
    (found,) = resolved(state(), (9, 0, MAY))
    assert found == {"probe": None, "placement": None, "transducer": None, "soil": None, "limits": Limits()}


def test_a_registered_probe_that_is_not_placed_still_has_its_record_and_transducer_curve():
    (found,) = resolved(state(placements=()), (1, 0, MAY))
    assert (found["probe"], found["transducer"], found["soil"]) == (probe(), transducer(), None)


def test_an_empty_registry_knows_nothing():
    assert resolved(RegistryState(), (1, 0, MAY))[0]["limits"] == Limits()


def test_an_instant_is_counted_in_whole_microseconds_exactly():
    assert microseconds(at("2026-05-01T10:00:00.123457+02:00")) == 1_777_622_400_123_457
    assert microseconds(at("1969-12-31T23:59:59.999999Z")) == -1


# --- curves -------------------------------------------------------------------------------------------------------


def test_a_placements_own_curve_beats_the_textures_which_beats_the_curve_for_any():
    curves = (
        transducer(),
        topp("any"),
        topp("of-loam", **{"for": "loam"}),
        topp("our-own", **{"for": "loam"}),
    )
    places = (
        placement(depth_index=0, curve="our-own"),
        placement(depth_index=1),
        placement(depth_index=2, texture="clay"),
    )
    samples = [(1, depth, MAY) for depth in range(3)]
    assert names(state(curves=curves, placements=places), "soil", *samples) == ["our-own", "of-loam", "any"]


def test_of_two_versions_the_latest_that_is_valid_at_the_instant_holds():
    curves = (transducer(), topp("any", valid_from=MAY), topp("newer", valid_from=JUNE))
    samples = [(1, 0, "2026-05-31T23:59:59Z"), (1, 0, JUNE), (1, 0, JULY)]
    assert names(state(curves=curves), "soil", *samples) == ["any", "newer", "newer"]


def test_before_the_first_curve_is_valid_there_is_none():
    curves = (transducer(valid_from=MAY), topp(valid_from=MAY))
    told = state(curves=curves)
    assert names(told, "soil", (1, 0, "2026-04-30T23:59:59.999999Z"), (1, 0, MAY)) == [None, "topp-1980"]
    assert names(told, "transducer", (1, 0, "2026-04-30T23:59:59.999999Z"), (1, 0, MAY)) == [None, "transducer-b"]


def test_until_the_textures_curve_is_valid_the_one_for_any_serves():
    curves = (transducer(), topp("any"), topp("of-loam", **{"for": "loam"}, valid_from=JUNE))
    assert names(state(curves=curves), "soil", (1, 0, MAY), (1, 0, JUNE)) == ["any", "of-loam"]


def test_the_textures_curve_beats_a_later_one_for_any():
    curves = (transducer(), topp("any", valid_from=JUNE), topp("of-loam", **{"for": "loam"}, valid_from=MAY))
    assert names(state(curves=curves), "soil", (1, 0, JULY)) == ["of-loam"]


def test_before_a_placements_own_curve_is_valid_no_other_takes_its_place():
    """The site's soil was found to be its own: a published curve would be the wrong one."""
    told = state(
        curves=(transducer(), topp("any"), topp("ours", valid_from=JUNE)), placements=(placement(curve="ours"),)
    )
    assert names(told, "soil", (1, 0, MAY), (1, 0, JUNE)) == [None, "ours"]


def test_versions_of_a_placements_own_curve_follow_each_other():
    curves = (transducer(), topp("ours", valid_from=MAY), topp("ours", valid_from=JUNE, domain=[1, 60]))
    told = state(curves=curves, placements=(placement(curve="ours"),))
    assert [one["soil"].domain for one in resolved(told, (1, 0, MAY), (1, 0, JUNE))] == [(1, 81), (1, 60)]


def test_a_curve_that_one_placement_names_does_not_become_the_rule_for_its_neighbours():
    curves = (transducer(), topp("a-site's-own", **{"for": "loam"}), topp("of-loam", **{"for": "loam"}))
    places = (placement(curve="a-site's-own"), placement(depth_index=1))
    assert names(state(curves=curves, placements=places), "soil", (1, 0, MAY), (1, 1, MAY)) == [
        "a-site's-own",
        "of-loam",
    ]


def test_the_transducer_curve_is_that_of_the_probes_hardware():
    curves = (transducer("of-b"), transducer("of-c", **{"for": "C"}), transducer("any", **{"for": "*"}), topp())
    probes = (probe(1), probe(2, hardware="C"), probe(3, hardware="D"))
    told = state(probes=probes, curves=curves)
    assert names(told, "transducer", (1, 0, MAY), (2, 0, MAY), (3, 0, MAY)) == ["of-b", "of-c", "any"]


# --- limits -------------------------------------------------------------------------------------------------------

LAYERS = {
    "limits": {"spike_suspect": 0.06, "stuck_counts": 2, "frost_at_degc": -0.5, "interval_minutes": 30},
    "texture": {"loam": {"spike_suspect": 0.07, "stuck_counts": 3, "frost_at_degc": -1.0}},
    "site": {"North Field": {"spike_suspect": 0.08, "stuck_counts": 4}},
    "probe": {probe(1).dev_eui: {"spike_suspect": 0.09}},
}


def test_every_layer_of_limits_overrides_the_one_before_it():
    (found,) = resolved(state(limits=LimitsFile.model_validate(LAYERS)), (1, 0, MAY))
    limits = found["limits"]
    told = (limits.spike_suspect, limits.stuck_counts, limits.frost_at_degc, limits.interval_minutes)
    assert told == (0.09, 4, -1.0, 30)
    assert limits.spike_fail == Limits().spike_fail


def test_another_texture_site_or_probe_has_none_of_these_layers():
    told = state(
        limits=LimitsFile.model_validate(LAYERS),
        probes=(probe(1), probe(2)),
        placements=(placement(1), placement(2, texture="clay", site="elsewhere")),
    )
    ours, other, unknown = resolved(told, (1, 0, MAY), (2, 0, MAY), (9, 0, MAY))
    assert ours["limits"].spike_suspect == 0.09
    assert other["limits"].spike_suspect == unknown["limits"].spike_suspect == 0.06


def test_a_probe_that_is_not_placed_has_the_global_and_its_own_layer():
    (found,) = resolved(state(limits=LimitsFile.model_validate(LAYERS), placements=()), (1, 0, MAY))
    assert (found["limits"].spike_suspect, found["limits"].stuck_counts) == (0.09, 2)


def test_layers_that_contradict_each_other_are_refused():
    file = LimitsFile.model_validate({"limits": {"spike_fail": 0.10}, "texture": {"loam": {"spike_suspect": 0.12}}})
    assert resolve_limits(file, "clay", None, None).spike_fail == 0.10
    with pytest.raises(ValidationError, match=r"expected spike_suspect at most spike_fail, got 0\.12 and 0\.1"):
        resolve_limits(file, "loam", None, None)


# --- states -------------------------------------------------------------------------------------------------------


def test_rows_that_two_states_share_have_one_number_in_the_catalogue():
    """So that samples of different states sit in one batch, and equal content has one digest."""
    compiled = registry(state(), state(placements=(placement(label="row 7"),)))
    one = [np.array([1]), np.array([0]), np.array([microseconds(at(MAY))])]
    first, second = compiled.states[1].resolve(*one), compiled.states[2].resolve(*one)
    assert first.probe == second.probe
    assert first.soil == second.soil
    assert first.placement != second.placement
