"""What was true in the field when: records made again, dated limits, soil layers and crops."""

from itertools import zip_longest

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.limit_layers import limits_over_time, resolve_limits
from loamline.core.reference import RegistryState, microseconds
from loamline.core.registry_rows import true_at
from loamline_schemas.limits import Limits, LimitsFile
from tests.core.registry_builder import at, crop, placement, probe, registry, soil, state, transducer
from tests.core.test_reference import JULY, JUNE, MAY, resolved

BEFORE_JUNE = "2026-05-31T23:59:59.999999Z"


def found(told: RegistryState, what: str, *samples):
    """Return the rows of one kind that hold for samples (probe id, depth index, instant)."""
    compiled = registry(told)
    ids, depths, instants = zip(*samples, strict=True)
    indices = getattr(
        compiled.states[1].resolve(np.array(ids), np.array(depths), np.array([microseconds(at(i)) for i in instants])),
        what,
    )
    rows = {"soil_layer": compiled.catalogue.soil_layers, "crop": compiled.catalogue.crops}[what].rows
    return [rows[index] if index >= 0 else None for index in indices.tolist()]


# --- factory records ----------------------------------------------------------------------------------------------


def test_a_record_made_again_holds_from_its_beginning_and_the_first_one_until_then():
    again = probe(air_count=350, valid_from=JUNE)
    told = state(probes=(again, probe()))
    assert [one["probe"] for one in resolved(told, (1, 0, MAY), (1, 0, BEFORE_JUNE), (1, 0, JUNE))] == [
        probe(),
        probe(),
        again,
    ]


def test_before_the_first_record_of_a_probe_is_true_it_has_none_and_no_transducer_curve():
    (one,) = resolved(state(probes=(probe(valid_from=JUNE),)), (1, 0, BEFORE_JUNE))
    assert (one["probe"], one["transducer"]) == (None, None)
    assert one["placement"] == placement()


def test_the_transducer_curve_follows_the_hardware_of_the_record_that_holds():
    told = state(
        probes=(probe(), probe(hardware="C", valid_from=JUNE)),
        curves=(transducer(), transducer("of-c", **{"for": "C"})),
    )
    assert [one["transducer"].id for one in resolved(told, (1, 0, MAY), (1, 0, JUNE))] == ["transducer-b", "of-c"]


# --- soil layers and crops ----------------------------------------------------------------------------------------


def test_a_placement_has_the_layer_of_its_site_that_holds_its_depth_bottom_excluded():
    layers = (soil(top_cm=10, bottom_cm=30), soil(top_cm=30, bottom_cm=60, texture="clay"))
    places = tuple(placement(depth_index=i, depth_cm=cm) for i, cm in enumerate((9.9, 10, 29.9, 30, 60)))
    told = state(placements=places, soils=layers)
    assert found(told, "soil_layer", *((1, i, MAY) for i in range(5))) == [
        None, layers[0], layers[0], layers[1], None,
    ]  # fmt: skip


def test_a_corrected_soil_holds_from_its_beginning_and_only_at_its_own_site():
    layers = (soil(valid_to=JUNE), soil(valid_from=JUNE, texture="clay"), soil(site="South Moor", texture="sand"))
    told = state(soils=layers, placements=(placement(valid_to=JULY), placement(site="South Moor", valid_from=JULY)))
    assert found(told, "soil_layer", (1, 0, BEFORE_JUNE), (1, 0, JUNE), (1, 0, JULY)) == [*layers[:2], layers[2]]


def test_an_ended_layer_leaves_none_behind():
    assert found(state(soils=(soil(valid_to=JUNE),)), "soil_layer", (1, 0, BEFORE_JUNE), (1, 0, JUNE)) == [
        soil(valid_to=JUNE),
        None,
    ]


def test_a_crop_is_that_of_the_placements_site_while_it_grew():
    crops = (crop(valid_to=JUNE), crop("barley", valid_from=JULY), crop("barley", site="South Moor"))
    told = state(crops=crops)
    assert found(told, "crop", (1, 0, MAY), (1, 0, JUNE), (1, 0, JULY)) == [crops[0], None, crops[1]]


def test_a_probe_that_is_not_placed_has_neither_soil_nor_crop():
    told = state(placements=(), soils=(soil(),), crops=(crop(),))
    assert found(told, "soil_layer", (1, 0, MAY), (9, 0, MAY)) == [None, None]
    assert found(told, "crop", (1, 0, MAY), (9, 0, MAY)) == [None, None]


# --- limits over time ---------------------------------------------------------------------------------------------

DATED = LimitsFile.model_validate(
    {
        "limits": [{"spike_suspect": 0.06, "stuck_counts": 2}, {"valid_from": JUNE, "spike_suspect": 0.07}],
        "texture": {"loam": [{"valid_from": JULY, "spike_suspect": 0.08}]},
    }
)


def test_of_each_layer_the_latest_that_has_begun_holds_alone():
    samples = [(1, 0, instant) for instant in (MAY, BEFORE_JUNE, JUNE, JULY)]
    limits = [one["limits"] for one in resolved(state(limits=DATED), *samples)]
    assert [one.spike_suspect for one in limits] == [0.06, 0.06, 0.07, 0.08]
    assert [one.stuck_counts for one in limits] == [2, 2, Limits().stuck_counts, Limits().stuck_counts]


def test_limits_change_at_the_same_instant_for_probes_that_are_not_placed_or_not_known():
    told = state(limits=DATED, placements=())
    limits = [one["limits"].spike_suspect for one in resolved(told, *((p, 0, t) for p in (1, 9) for t in (MAY, JULY)))]
    assert limits == [0.06, 0.07, 0.06, 0.07]


def test_without_an_instant_the_limits_that_began_last_are_told():
    assert resolve_limits(DATED, "loam", None, None).spike_suspect == 0.08
    assert resolve_limits(DATED, "loam", None, None, at(MAY)).spike_suspect == 0.06
    assert [since for since, _ in limits_over_time(DATED, "loam", None, None)] == [None, at(JUNE), at(JULY)]


# --- one state, looked at in two ways -----------------------------------------------------------------------------

MONTHS = st.integers(1, 12).map(lambda month: f"2026-{month:02d}-01T00:00:00Z")


@given(
    records=st.lists(MONTHS, unique=True, max_size=4),
    places=st.lists(MONTHS, unique=True, max_size=4),
    layers=st.lists(MONTHS, unique=True, max_size=4),
    limits=st.lists(MONTHS, unique=True, max_size=4),
    instant=MONTHS,
)
def test_what_is_true_at_an_instant_resolves_there_as_the_whole_state_does(records, places, layers, limits, instant):
    """`registry show --true-at` and the chain must not tell two stories."""

    def spans(since):
        ordered = sorted(since)
        return [{"valid_from": a, "valid_to": b} for a, b in zip_longest(ordered, ordered[1:])]

    told = state(
        probes=tuple(probe(air_count=300 + i, valid_from=since) for i, since in enumerate(records)),
        placements=tuple(placement(label=f"row {i}", **span) for i, span in enumerate(spans(places))),
        soils=tuple(soil(wilting_point=0.1 + i / 100, **span) for i, span in enumerate(spans(layers))),
        limits=LimitsFile.model_validate(
            {"limits": [{"valid_from": since, "stuck_counts": i} for i, since in enumerate(limits)]}
        ),
    )
    then = true_at(told, at(instant))
    assert resolved(told, (1, 0, instant)) == resolved(then, (1, 0, instant))
    assert found(told, "soil_layer", (1, 0, instant)) == found(then, "soil_layer", (1, 0, instant))
    assert max(map(len, (then.probes, then.placements, then.soils, then.limits.limits))) <= 1
