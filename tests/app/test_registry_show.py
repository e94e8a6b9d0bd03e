"""`loamline registry show`, `diff` and `history`: what was told, when, and of which time."""

import json

import pytest
from typer.testing import CliRunner

from loamline.app.cli import app
from loamline.app.commands.registry import VERBS
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.registry_history import states
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry_tables import REGISTRY_TABLES
from tests.core.registry_builder import crop, dev_eui, placement, probe, soil, state, topp, transducer

JUNE = "2026-06-01T00:00:00Z"
FIRST = state(
    curves=(transducer(), topp(source="Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582")),
    limits=LimitsFile.model_validate({"texture": {"loam": {"spike_fail": 0.2, "vwc_suspect": [0.05, 0.5]}}}),
    soils=(soil(),),
    crops=(crop(),),
)
MOVED = state(
    **{
        **vars(FIRST),
        "probes": (probe(), probe(air_count=350, valid_from=JUNE)),
        "placements": (placement(valid_to=JUNE), placement(label="[red]row 9", valid_from=JUNE)),
    }
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Return a store that was told of a probe, and then of its move and its new record."""
    path = tmp_path_factory.mktemp("registry") / "soil.duckdb"
    with Store.open(path, create=True) as opened:
        save_state(opened, FIRST, "first")
        save_state(opened, MOVED, "moved")
    return path


@pytest.fixture
def run(store):
    """Return a function that runs a verb on the store in a terminal of 80 columns."""

    def runner(verb, *arguments):
        told = ["registry", verb, *arguments, "--store", str(store)]
        return CliRunner().invoke(app, told, env={"COLUMNS": "80"})

    return runner


def told_json(run, verb, *arguments):
    done = run(verb, *arguments, "--json")
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


# --- show ---------------------------------------------------------------------------------------------------------


def test_every_kind_of_row_is_shown_with_its_fields_and_times(run):
    told = told_json(run, "show")
    assert told["reference_id"] == 2
    assert told["note"] == "moved"
    assert list(told["rows"]) == [table.name for table in REGISTRY_TABLES]
    assert [(row["label"], row["valid_from"], row["valid_to"]) for row in told["rows"]["placement"]] == [
        ("row 4", "2026-03-01T00:00:00Z", JUNE),
        ("[red]row 9", JUNE, None),
    ]
    assert told["rows"]["limits"] == [
        {"layer": "texture", "name": "loam", "valid_from": None, "vwc_suspect": [0.05, 0.5], "spike_fail": 0.2}
    ]


def test_what_we_had_been_told_then_is_shown_by_state_and_by_time(run, store):
    with Store.open(store, writable=False) as opened:
        first = states(opened)[1].recorded_at.isoformat()
    for told in (told_json(run, "show", "--told-at", "1"), told_json(run, "show", "--told-at", first)):
        assert told["reference_id"] == 1
        assert [row["label"] for row in told["rows"]["placement"]] == ["row 4"]


def test_what_was_true_then_is_shown_without_the_rest(run):
    may = told_json(run, "show", "--true-at", "2026-05-01")
    june = told_json(run, "show", "--true-at", JUNE)
    assert [[row["label"] for row in told["rows"]["placement"]] for told in (may, june)] == [["row 4"], ["[red]row 9"]]
    assert [[row["air_count"] for row in told["rows"]["probe"]] for told in (may, june)] == [[340], [350]]
    assert told_json(run, "show", "--true-at", "2026-01-01")["rows"]["curve"] == []


def test_the_two_times_are_asked_for_independently(run):
    """In state 1 we believed that the probe was still there in July."""
    told = told_json(run, "show", "--told-at", "1", "--true-at", "2026-07-01")
    assert [row["label"] for row in told["rows"]["placement"]] == ["row 4"]


def test_before_anything_was_loaded_there_is_nothing(run):
    done = run("show", "--told-at", "0")
    assert done.stdout.strip() == "registry state 0 (before anything was loaded): 0 rows"


@pytest.mark.parametrize(
    ("told", "expected"),
    [("3", "expected a registry state from 0 to 2, got 3"), ("9" * 30, "expected a registry state from 0 to 2, got")],
)
def test_a_state_that_is_not_there_is_told_with_those_that_are(run, told, expected):
    done = run("show", "--told-at", told)
    assert done.exit_code == 2
    assert done.stderr.startswith(expected)


def test_a_time_that_is_none_is_told_so(run):
    done = run("show", "--told-at", "yesterday")
    assert done.exit_code == 2
    assert "expected RFC 3339" in done.stderr


# --- diff ---------------------------------------------------------------------------------------------------------


def test_a_difference_is_told_row_by_row_and_field_by_field(run):
    told = told_json(run, "diff", "1", "2")
    assert (told["before"]["reference_id"], told["after"]["reference_id"]) == (1, 2)
    assert [(change["table"], change["change"]) for change in told["changes"]] == [
        ("probe", "added"),
        ("placement", "changed"),
        ("placement", "added"),
    ]
    assert told["changes"][1] == {
        "table": "placement",
        "change": "changed",
        "key": {"dev_eui": dev_eui(1), "depth_index": 0, "valid_from": "2026-03-01T00:00:00Z"},
        "fields": {"valid_to": {"before": None, "after": JUNE}},
    }


def test_the_way_back_ends_what_was_added(run):
    assert [change["change"] for change in told_json(run, "diff", "2", "1")["changes"]] == ["ended", "changed", "ended"]


def test_equal_states_differ_in_nothing(run):
    assert run("diff", "2", "2").stdout.strip() == "registry state 2 to 2: nothing changed"


def test_for_people_a_change_has_its_former_and_its_new_value(run):
    told = run("diff", "1", "2").stdout
    assert "valid_to none -> 2026-06-01" in told
    assert told.splitlines()[-1] == "registry state 1 to 2: 2 added, 1 changed"


# --- history ------------------------------------------------------------------------------------------------------


def test_the_versions_of_a_probe_have_both_their_times(run):
    told = [one for one in told_json(run, "history", dev_eui(1)) if one["table"] == "placement"]
    assert [(one["says"]["label"], one["valid_from"], one["valid_to"]) for one in told] == [
        ("row 4", "2026-03-01T00:00:00Z", None),
        ("row 4", "2026-03-01T00:00:00Z", JUNE),
        ("[red]row 9", JUNE, None),
    ]
    assert [(one["first_reference_id"], one["last_reference_id"]) for one in told] == [(1, 1), (2, None), (2, None)]
    assert told[0]["recorded_until"] == told[1]["recorded_from"]
    assert told[1]["recorded_until"] is None


def test_an_unknown_name_is_told_in_one_sentence(run):
    done = run("history", "nowhere")
    assert done.exit_code == 1
    assert done.stderr.startswith("expected a dev_eui, serial, site, curve or texture")
    assert len(done.stderr.strip().splitlines()) == 1


# --- for people ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [("show",), ("diff", "0", "2"), ("history",)], ids=lambda told: told[0])
def test_tables_fit_a_terminal_of_80_columns_and_names_stay_whole_and_unobeyed(run, arguments):
    done = run(*arguments)
    assert done.exit_code == 0
    assert max(map(len, done.stdout.splitlines())) <= 80
    for told in (dev_eui(1), "North Field", "topp-1980", "soil layers", "[red]row"):
        assert told in done.stdout


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_a_help_that_ends_with_an_example_of_itself(verb):
    done = CliRunner().invoke(app, ["registry", verb, "--help"], env={"COLUMNS": "200"})
    assert done.exit_code == 0
    assert f"loamline registry {verb}" in done.stdout.partition("Example:")[2]
    assert "--json" in done.stdout
