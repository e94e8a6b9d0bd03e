"""Two registry states compared row by row: what was added, ended and changed, under the name of each row."""

from hypothesis import given
from hypothesis import strategies as st

from loamline.core.reference import RegistryState
from loamline.core.registry_rows import RowChange, differences, rows
from loamline_schemas.limits import LimitsFile
from tests.core.registry_builder import at, crop, dev_eui, placement, probe, site, soil, state, topp, transducer

SPRING, JUNE = at("2026-03-01T00:00:00Z"), at("2026-06-01T00:00:00Z")


def but(**changes):
    return differences(state(), state(**changes))


def test_equal_states_differ_in_nothing_whatever_the_order_of_their_rows():
    one = state(curves=(transducer(), topp()))
    two = state(curves=(topp(), transducer()))
    assert differences(one, two) == []


def test_a_corrected_figure_is_a_change_of_that_field_alone():
    assert but(probes=(probe(air_count=345),)) == [
        RowChange("probe", "changed", {"dev_eui": dev_eui(1), "valid_from": None}, {"air_count": (340, 345)})
    ]


def test_a_record_made_again_is_a_row_more_and_the_first_stays():
    (change,) = but(probes=(probe(), probe(air_count=345, valid_from=JUNE)))
    assert (change.change, change.key) == ("added", {"dev_eui": dev_eui(1), "valid_from": JUNE})
    assert change.fields["air_count"] == (None, 345)


def test_a_moved_probe_ends_one_placement_and_begins_another():
    moved = (placement(valid_to=JUNE), placement(label="row 9", valid_from=JUNE))
    ended, begun = but(placements=moved)
    assert (ended.change, ended.fields) == ("changed", {"valid_to": (None, JUNE)})
    assert (begun.change, begun.key["valid_from"], begun.fields["label"]) == ("added", JUNE, (None, "row 9"))


def test_a_row_that_is_gone_is_told_with_what_it_said():
    change, *_ = differences(state(), state(sites=(), placements=(placement(),)))
    assert (change.table, change.change, change.fields["customer"]) == ("site", "ended", ("a grower", None))


def test_limits_soils_and_crops_are_compared_by_layer_depth_and_site():
    one = state(
        limits=LimitsFile.model_validate({"limits": {"spike_fail": 0.2}, "site": {"North Field": {"stuck_counts": 2}}}),
        soils=(soil(), soil(top_cm=30, bottom_cm=60)),
        crops=(crop(),),
    )
    two = state(
        limits=LimitsFile.model_validate({"limits": {"spike_fail": 0.3}}),
        soils=(soil(texture="clay"), soil(top_cm=30, bottom_cm=60)),
        crops=(crop("barley"),),
    )
    assert [(change.table, change.change, dict(change.fields)) for change in differences(one, two)] == [
        ("limits", "changed", {"spike_fail": (0.2, 0.3)}),
        ("limits", "ended", {"stuck_counts": (2, None)}),
        ("soil", "changed", {"texture": ("loam", "clay")}),
        ("crop", "changed", {"crop": ("turf grass cool season", "barley")}),
    ]


def test_the_limits_that_a_file_without_any_has_are_no_row():
    assert [row.table for row in rows(RegistryState())] == []


def test_rows_of_one_name_in_a_state_that_nobody_checked_are_all_told():
    twice = state(probes=(probe(), probe(air_count=345)))
    (change,) = differences(state(), twice)
    assert (change.change, change.fields["air_count"]) == ("added", (None, 345))


STATES = st.builds(
    state,
    sites=st.lists(st.sampled_from([site(), site(customer="other"), site("South Moor")]), max_size=2).map(tuple),
    probes=st.lists(st.sampled_from([probe(), probe(air_count=1), probe(valid_from=JUNE), probe(2)]), max_size=3).map(
        tuple
    ),
    curves=st.lists(st.sampled_from([topp(), topp(domain=[1, 60]), transducer()]), max_size=2).map(tuple),
)


@given(STATES, STATES)
def test_the_way_back_undoes_the_way_there(one, two):
    """What was added is ended again, and each field goes back to what it was."""
    opposite = {"added": "ended", "ended": "added", "changed": "changed"}
    there, back = differences(one, two), differences(two, one)
    assert [
        RowChange(told.table, opposite[told.change], told.key, {name: pair[::-1] for name, pair in told.fields.items()})
        for told in there
    ] == back
