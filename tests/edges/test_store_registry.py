"""The registry in the store: states by number, only what changed is written, and every former state can be read."""

import duckdb
import pytest

from loamline.core.reference import RegistryState
from loamline.edges.store.connection import Store, _create
from loamline.edges.store.registry import Change, latest_reference, load_state, probe_ids, save_state
from loamline_schemas.digest import canonical_json, content_digest
from loamline_schemas.limits import LimitsFile
from loamline_schemas.migrations import MIGRATIONS
from tests.core.registry_builder import at, crop, dev_eui, placement, probe, site, soil, state, topp, transducer


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "soil.duckdb", create=True) as opened:
        yield opened


def sorted_rows(told):
    """Return a state as sets of rows: the order in which a table was written is no part of it."""
    return (
        *({str(row) for row in getattr(told, name)} for name in ROWS),
        told.limits,
    )


ROWS = ("sites", "probes", "placements", "curves", "soils", "crops")
FULL = state(
    sites=(site(), site("South Moor", latitude_deg=-33.25)),
    probes=(probe(1), probe(2, air_count=None, water_count=None, count_per_k=None)),
    soils=(soil(), soil(top_cm=30, bottom_cm=60.5, texture=None, sand_percent=40, clay_percent=20, source="a pit")),
    crops=(crop(valid_to="2026-09-01T00:00:00Z"), crop("barley", valid_from="2026-09-01T00:00:00Z", root_depth_m=1.2)),
    placements=(
        placement(1),
        placement(2, valid_to="2026-06-01T00:00:00Z", curve="topp-1980", deficit_below=0.15, excess_above=0.4),
        placement(2, site="South Moor", valid_from="2026-06-01T00:00:00Z", depth_cm=12.5),
    ),
    curves=(
        transducer(),
        topp(standard_error=0.013, source="Topp et al. 1980"),
        topp(valid_from="2026-07-01T00:00:00Z"),
    ),
    limits=LimitsFile.model_validate(
        {
            "limits": {"spike_fail": 0.2, "vwc_suspect": [0.05, 0.5]},
            "texture": {"silt loam": [{"stuck_counts": 2}, {"stuck_counts": 3, "valid_from": "2026-05-01T00:00:00Z"}]},
            "site": {"South Moor": {"frost_at_degc": -1}},
            "probe": {dev_eui(1): {"largest_gap_minutes": 200}},
        }
    ),
)


def test_before_anything_was_loaded_state_0_holds_nothing(store):
    assert latest_reference(store) == 0
    assert load_state(store, 0) == RegistryState()


def test_what_was_saved_is_what_is_loaded(store):
    number, _ = save_state(store, FULL, "first")
    assert number == latest_reference(store) == 1
    assert sorted_rows(load_state(store, 1)) == sorted_rows(FULL)


def test_the_first_load_adds_every_row(store):
    _, changes = save_state(store, FULL, "first")
    assert changes == [
        Change("site", 2, 0, 0),
        Change("probe", 2, 0, 0),
        Change("placement", 3, 0, 0),
        Change("curve", 3, 0, 0),
        Change("limits", 5, 0, 0),
        Change("soil", 2, 0, 0),
        Change("crop", 2, 0, 0),
    ]


def test_loading_the_same_again_makes_no_new_state(store):
    save_state(store, FULL, "first")
    number, changes = save_state(store, FULL, "again")
    assert number == latest_reference(store) == 1
    assert {(change.added, change.ended) for change in changes} == {(0, 0)}
    assert store.scalar("SELECT count(*) FROM placement") == 3


def test_another_order_of_rows_is_no_change(store):
    save_state(store, FULL, "first")
    turned = state(
        **{name: tuple(reversed(getattr(FULL, name))) for name in ROWS},
        limits=FULL.limits,
    )
    assert save_state(store, turned, "turned round")[0] == 1


def test_changing_one_row_ends_it_adds_it_and_touches_no_other(store):
    save_state(store, FULL, "first")
    changed = state(**{**vars(FULL), "probes": (probe(1, air_count=341), FULL.probes[1])})
    number, changes = save_state(store, changed, "a new bench record")
    assert number == 2
    assert [change for change in changes if change.added or change.ended] == [Change("probe", 1, 1, 1)]
    spans = "SELECT air_count, first_reference_id, last_reference_id FROM probe WHERE dev_eui = ? ORDER BY 2"
    assert store.con.execute(spans, [dev_eui(1)]).fetchall() == [(340.0, 1, 1), (341.0, 2, None)]


def test_a_former_state_is_read_by_its_number_with_the_rows_of_then(store):
    save_state(store, FULL, "first")
    second = state(**{**vars(FULL), "probes": (probe(1, air_count=341), FULL.probes[1]), "limits": LimitsFile()})
    save_state(store, second, "second")
    save_state(store, FULL, "back again")
    assert latest_reference(store) == 3
    for number, told in ((1, FULL), (2, second), (3, FULL)):
        assert sorted_rows(load_state(store, number)) == sorted_rows(told), number
    assert load_state(store, 0) == RegistryState()


def test_a_row_that_is_gone_is_gone_from_the_new_state_only(store):
    save_state(store, FULL, "first")
    fewer = state(**{**vars(FULL), "placements": FULL.placements[:1]})
    _, changes = save_state(store, fewer, "taken out")
    assert changes[2] == Change("placement", 0, 2, 1)
    assert len(load_state(store, 2).placements) == 1
    assert len(load_state(store, 1).placements) == 3


def test_a_states_digest_is_that_of_its_rows_and_of_nothing_else(store, tmp_path):
    """Neither when, nor why, nor after what: the same rows have the same digest in any store."""
    save_state(store, FULL, "first")
    save_state(store, state(), "second")
    save_state(store, FULL, "third")
    digests = [digest for (digest,) in store.con.execute("SELECT digest FROM reference ORDER BY 1").fetchall()]
    assert len(set(digests)) == 3  # the empty one, and two of three
    with Store.open(tmp_path / "other.duckdb", create=True) as other:
        save_state(other, FULL, "elsewhere")
        there = other.scalar("SELECT digest FROM reference WHERE reference_id = 1")
    told = dict(store.con.execute("SELECT reference_id, digest FROM reference").fetchall())
    assert told[1] == told[3] == there


def test_probes_get_small_numbers_that_they_keep(store):
    save_state(store, FULL, "first")
    first = probe_ids(store)
    assert set(first) == {dev_eui(1), dev_eui(2)}
    assert sorted(first.values()) == [1, 2]
    save_state(store, state(probes=(probe(3), probe(1)), placements=()), "second")
    assert probe_ids(store) == {**first, dev_eui(3): 3}


def test_a_load_that_fails_half_way_leaves_the_former_state_in_force(store):
    """The table of limits, the last to be written, is gone; what was written before it is not kept."""
    save_state(store, state(), "first")
    store.con.execute("ALTER TABLE limits RENAME COLUMN definition TO otherwise")
    store.con.execute("ALTER TABLE limits ADD COLUMN one_too_many INTEGER")
    with pytest.raises(Exception, match="columns"):
        save_state(store, FULL, "second")
    assert latest_reference(store) == 1
    assert store.scalar("SELECT count(*) FROM site WHERE last_reference_id IS NULL") == 1
    assert store.scalar("SELECT count(*) FROM placement") == 1


# --- every table, one changed row ---------------------------------------------------------------------------------

ANOTHER = {
    "site": {"sites": (site(customer="another grower"), *FULL.sites[1:])},
    "probe": {"probes": (*FULL.probes, probe(1, air_count=350, valid_from="2026-06-01T00:00:00Z"))},
    "placement": {"placements": (placement(1, texture="clay"), *FULL.placements[1:])},
    "curve": {"curves": (*FULL.curves, topp("newer"))},
    "limits": {"limits": FULL.limits.model_copy(update={"site": {}})},
    "soil": {"soils": (soil(wilting_point=0.11), *FULL.soils[1:])},
    "crop": {"crops": FULL.crops[:1]},
}


@pytest.mark.parametrize("table", ANOTHER)
def test_a_change_in_one_table_makes_versions_in_that_table_alone(store, table):
    save_state(store, FULL, "first")
    changed = RegistryState(**{**vars(FULL), **ANOTHER[table]})
    number, changes = save_state(store, changed, "second")
    assert number == 2
    assert [change.table for change in changes if change.added or change.ended] == [table]
    assert sorted_rows(load_state(store, 2)) == sorted_rows(changed)
    assert sorted_rows(load_state(store, 1)) == sorted_rows(FULL)
    assert save_state(store, changed, "again")[0] == 2


def test_a_record_that_was_made_again_stands_beside_the_first(store):
    records = (probe(), probe(air_count=350, valid_from="2026-06-01T00:00:00Z"))
    save_state(store, state(probes=records), "re-made")
    assert set(load_state(store, 1).probes) == set(records)


# --- a store of the first schema ----------------------------------------------------------------------------------


#: What a layer of limits held then, None where it set nothing.
FIRST_THRESHOLDS = (
    "vwc_fail", "vwc_suspect", "temperature_fail", "spike_suspect", "spike_fail", "largest_gap_minutes",
    "stuck_suspect_hours", "stuck_fail_hours", "stuck_counts", "stuck_temperature_k", "frost_at_degc",
    "frost_tolerance_k", "interval_minutes",
)  # fmt: skip


@pytest.fixture
def old_store(tmp_path, monkeypatch):
    """Return the path of a store that only migration 1 has run on, with a probe and limits as it then held them."""
    path = tmp_path / "old.duckdb"
    with monkeypatch.context() as then:
        then.setattr("loamline.edges.store.connection.MIGRATIONS", MIGRATIONS[:1])
        _create(path)
    with duckdb.connect(path) as old:
        old.execute("INSERT INTO reference VALUES (1, ?, 'd', 'first')", [at("2025-06-01T00:00:00Z")])
        old.execute(
            "INSERT INTO probe VALUES ('5d718884f88621e7', 1, NULL, ?, 'S-0001', 'B', '2025-06-01', 340, 3340, -2)",
            [dev_eui(1)],
        )
        layer = dict.fromkeys(FIRST_THRESHOLDS) | {"stuck_counts": 2.0}
        told = {"layer": "texture", "name": "loam", "definition": canonical_json(layer)}
        old.execute(
            "INSERT INTO limits VALUES (?, 1, NULL, 'texture', 'loam', ?)",
            [content_digest(told), told["definition"]],
        )
        assert "soil" not in {name for (name,) in old.execute("SHOW TABLES").fetchall()}
    return path


def test_a_store_of_the_first_schema_opens_and_holds_what_it_held(old_store):
    with Store.open(old_store) as opened:
        held = load_state(opened, 1)
        assert held.probes == (probe(),)
        assert held.limits == LimitsFile.model_validate({"texture": {"loam": {"stuck_counts": 2}}})
        assert (held.soils, held.crops) == ((), ())
        assert opened.scalar("SELECT max(number) FROM migration") == len(MIGRATIONS)


def test_the_rows_of_the_first_schema_are_no_new_versions_when_they_are_loaded_again(old_store):
    """Their digests are those of then: what a later schema added is no part of rows without it."""
    same = RegistryState(
        probes=(probe(),), limits=LimitsFile.model_validate({"limits": [], "texture": {"loam": {"stuck_counts": 2}}})
    )
    with Store.open(old_store) as opened:
        number, changes = save_state(opened, same, "again")
        assert {(change.added, change.ended) for change in changes} == {(0, 0)}
        assert number == 1
        assert save_state(opened, RegistryState(probes=(probe(),), soils=(soil(),)), "with a soil")[0] == 2
