"""Two times: what we were told and when, and what it says of the field. Nothing told is ever lost."""

from datetime import timedelta

import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError
from loamline.edges.store.registry import load_state, save_state
from loamline.edges.store.registry_history import state_told_at, states, versions
from loamline_schemas.limits import LimitsFile
from tests.core.registry_builder import at, crop, dev_eui, placement, probe, soil, state, topp, transducer

JUNE = "2026-06-01T00:00:00Z"
MOVED = (placement(valid_to=JUNE), placement(label="row 9", valid_from=JUNE))


@pytest.fixture
def store(tmp_path):
    """Yield a store that was told of a probe, then of its move, and then that there was none after all."""
    with Store.open(tmp_path / "soil.duckdb", create=True) as opened:
        for told, note in ((state(), "first"), (state(placements=MOVED), "moved"), (state(), "not moved")):
            save_state(opened, told, note)
        yield opened


def test_the_states_are_numbered_in_the_order_in_which_we_were_told(store):
    told = states(store)
    assert [(number, one.note) for number, one in told.items()] == [
        (0, "before anything was loaded"),
        (1, "first"),
        (2, "moved"),
        (3, "not moved"),
    ]
    assert sorted(one.recorded_at for one in told.values()) == [one.recorded_at for one in told.values()]


def test_as_we_had_been_told_by_an_instant_is_the_last_state_recorded_until_then(store):
    told = states(store)
    for number in (1, 2, 3):
        assert state_told_at(store, told[number].recorded_at) == number
        assert state_told_at(store, told[number].recorded_at - timedelta(microseconds=1)) == number - 1
    assert state_told_at(store, at("1950-01-01T00:00:00Z")) == 0
    assert load_state(store, state_told_at(store, told[2].recorded_at)).placements != state().placements


def test_a_row_has_a_version_for_each_span_of_states_that_held_it(store):
    """It was ended, and came back: two versions of the same content."""
    recorded = {number: one.recorded_at for number, one in states(store).items()}
    spans = [
        (one.row.says["label"], one.row.says["valid_to"], one.recorded_from, one.recorded_until)
        for one in versions(store)
        if one.row.table == "placement"
    ]
    assert spans == [
        ("row 4", None, recorded[1], recorded[2]),
        ("row 4", at(JUNE), recorded[2], recorded[3]),
        ("row 4", None, recorded[3], None),
        ("row 9", None, recorded[2], recorded[3]),
    ]


@pytest.mark.parametrize(
    ("name", "tables"),
    [
        (dev_eui(1), ["probe", "placement", "limits"]),
        (dev_eui(1).lower(), ["probe", "placement", "limits"]),
        ("s-0001", ["probe", "placement", "limits"]),
        ("north field", ["site", "placement", "soil", "crop"]),
        ("topp-1980", ["curve"]),
        ("ours", ["placement", "curve"]),
        ("clay", ["limits"]),
    ],
)
def test_a_probe_serial_site_curve_or_texture_names_the_rows_that_concern_it(tmp_path, name, tables):
    told = state(
        probes=(probe(), probe(2)),
        placements=(placement(), placement(2, site="South Moor", curve="ours")),
        curves=(transducer(), topp(), topp("ours")),
        limits=LimitsFile.model_validate(
            {"texture": {"clay": {"stuck_counts": 2}}, "probe": {dev_eui(1): {"stuck_counts": 3}}}
        ),
        soils=(soil(),),
        crops=(crop(),),
    )
    with Store.open(tmp_path / "other.duckdb", create=True) as opened:
        save_state(opened, told, "first")
        assert [one.row.table for one in versions(opened, name)] == tables


def test_an_unknown_name_is_told_with_the_command_that_lists_the_known_ones(store):
    with pytest.raises(UnknownNameError) as problem:
        versions(store, "nowhere")
    assert str(problem.value).startswith(
        "expected a dev_eui, serial, site, curve or texture that some registry state names, got 'nowhere'; "
        "`loamline registry show --store "
    )


def test_a_row_of_a_former_state_is_still_found_by_its_name(store):
    save_state(store, state(sites=(), probes=(), placements=(), curves=()), "all gone")
    (one,) = versions(store, "S-0001")[:1]
    assert (one.row.table, one.first_reference_id, one.last_reference_id) == ("probe", 1, 3)
