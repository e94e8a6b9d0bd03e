"""`loamline registry load`: all of a folder or nothing of it, and every fault at once."""

import json

import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.registry import latest_reference, load_state

FOLDER = {
    "sites.csv": "site,customer,latitude_deg,longitude_deg,time_zone\nNorth Field,a grower,52.0,5.5,Europe/Amsterdam\n",
    "probes.csv": (
        "dev_eui,serial,hardware,made_on,air_count,water_count,count_per_k\n"
        "02AC000000000001,S-0001,B,2025-06-01,340,3340,-2\n"
    ),
    "placements.csv": (
        "dev_eui,depth_index,site,label,depth_cm,texture,valid_from,valid_to,curve,deficit_below,excess_above\n"
        "02AC000000000001,0,North Field,row 4,10,loam,2026-03-01T00:00:00Z,,,,\n"
    ),
    "curves.toml": '[[curve]]\nid = "topp-1980"\nstep = "soil"\nkind = "topp1980"\ndomain = [1, 81]\n'
    'for = "*"\nvalid_from = 2026-03-01T00:00:00Z\n',
    "limits.toml": "[limits]\nspike_fail = 0.2\n",
}
TABLES = ["site", "probe", "placement", "curve", "limits"]


@pytest.fixture
def folder(tmp_path):
    """Return a function that writes the folder, some files otherwise."""

    def writer(**changes):
        place = tmp_path / "registry"
        place.mkdir(exist_ok=True)
        for name, content in {**FOLDER, **{key.replace("_", "."): told for key, told in changes.items()}}.items():
            (place / name).write_text(content)
        return place

    return writer


@pytest.fixture
def store(tmp_path):
    return tmp_path / "soil.duckdb"


def test_a_valid_folder_is_loaded_and_what_changed_is_told(loamline, folder, store):
    done = loamline("registry", "load", folder(), "--store", store, "--json")
    assert done.exit_code == 0
    assert json.loads(done.stdout) == {
        "loaded": True,
        "reference_id": 1,
        "changed": True,
        "tables": {
            **{table: {"added": 1, "ended": 0, "unchanged": 0} for table in TABLES},
            **{table: {"added": 0, "ended": 0, "unchanged": 0} for table in ("soil", "crop")},
        },
    }
    with Store.open(store, writable=False) as opened:
        assert load_state(opened, 1).placements[0].label == "row 4"


def test_the_same_folder_again_changes_nothing(loamline, folder, store):
    loamline("registry", "load", folder(), "--store", store)
    told = json.loads(loamline("registry", "load", folder(), "--store", store, "--json").stdout)
    assert (told["loaded"], told["changed"], told["reference_id"]) == (True, False, 1)
    again = loamline("registry", "load", folder(), "--store", store)
    assert (again.exit_code, again.stdout.strip()) == (0, "nothing changed: registry state 1 stays in force")


def test_one_changed_row_is_one_new_state(loamline, folder, store):
    loamline("registry", "load", folder(), "--store", store)
    changed = folder(placements_csv=FOLDER["placements.csv"].replace("row 4", "row 5"))
    told = json.loads(loamline("registry", "load", changed, "--store", store, "--json").stdout)
    assert told["reference_id"] == 2
    assert told["tables"]["placement"] == {"added": 1, "ended": 1, "unchanged": 0}
    assert told["tables"]["probe"] == {"added": 0, "ended": 0, "unchanged": 1}


def test_for_people_the_changes_are_a_table(loamline, folder, store):
    done = loamline("registry", "load", folder(), "--store", store)
    assert done.exit_code == 0
    assert "registry state 1" in done.stdout
    for table in TABLES:
        assert table in done.stdout


BROKEN = {
    "sites_csv": FOLDER["sites.csv"].replace("52.0", "north"),
    "placements_csv": FOLDER["placements.csv"].replace("loam", "mud"),
    "limits_toml": "[limits]\nspike_fail = -1\n",
}


def test_every_fault_is_told_in_a_line_and_nothing_is_loaded(loamline, folder, store):
    done = loamline("registry", "load", folder(**BROKEN), "--store", store)
    assert done.exit_code == 1
    assert done.stdout == ""
    told = done.stderr.splitlines()
    assert told[0] == "sites.csv:2: latitude_deg: expected a number, got 'north'"
    assert told[1].startswith("placements.csv:2: texture: expected one of the 12 USDA texture classes (sand, ")
    assert told[1].endswith(", got 'mud'")
    assert told[2:] == [
        "limits.toml:2: limits.spike_fail: expected greater than 0, got -1",
        "3 faults; nothing was loaded",
    ]
    assert not store.exists()


def test_faults_as_json_have_their_five_parts(loamline, folder, store):
    done = loamline("registry", "load", folder(**BROKEN), "--store", store, "--json")
    assert done.exit_code == 1
    told = json.loads(done.stdout)
    assert told["loaded"] is False
    assert told["faults"][0] == {
        "file": "sites.csv",
        "line": 2,
        "column": "latitude_deg",
        "expected": "a number",
        "got": "'north'",
    }
    assert len(told["faults"]) == 3


def test_a_folder_with_a_fault_leaves_the_registry_in_force_as_it_was(loamline, folder, store):
    loamline("registry", "load", folder(), "--store", store)
    assert loamline("registry", "load", folder(**BROKEN), "--store", store).exit_code == 1
    with Store.open(store, writable=False) as opened:
        assert latest_reference(opened) == 1


def test_a_folder_that_is_not_there_has_none_of_its_files(loamline, tmp_path, store):
    done = loamline("registry", "load", tmp_path / "none", "--store", store)
    assert done.exit_code == 1
    assert done.stderr.count("expected a file of this name in the folder, got none") == 5
    assert not store.exists()


def test_a_store_that_is_in_use_is_told_in_one_sentence(loamline, folder, store):
    with Store.open(store, create=True):
        done = loamline("registry", "load", folder(), "--store", store)
    assert done.exit_code == 1
    assert done.stderr.startswith(f"expected {store} to be free, but process ")
    assert len(done.stderr.strip().splitlines()) == 1
