"""`loamline curve list` and `show`, from a folder or a store."""

import pytest

from tests.app.curve.given import CURVES, OF_BED_A, as_json
from tests.app.test_registry_command import FOLDER


def test_a_folder_and_the_store_it_was_loaded_into_list_the_same(loamline, folder, tmp_path):
    loamline("registry", "load", folder, "--store", tmp_path / "soil.duckdb")
    listed = as_json(loamline, "list", "--dir", folder)
    assert listed == as_json(loamline, "list", "--store", tmp_path / "soil.duckdb")
    assert [(one["id"], one["step"]) for one in listed] == [("topp-1980", "soil"), ("bench-b", "transducer")]


def test_for_people_the_list_is_a_table(loamline, folder):
    done = loamline("curve", "list", "--dir", folder)
    for told in ("topp-1980", "for *", "1 to 81", "error 0.013", "2026-03-01", "2 versions of 2 curves"):
        assert told in done.stdout


@pytest.mark.parametrize(("options", "got"), [((), "neither"), (("--store", "a.duckdb", "--dir", "b"), "both")])
def test_one_source_is_wanted(loamline, options, got):
    done = loamline("curve", "list", *options)
    assert (done.exit_code, done.stderr.strip()) == (2, f"expected --store FILE or --dir DIR, got {got}")


def test_a_folder_with_faults_tells_them(loamline, folder):
    (folder / "sites.csv").write_text(FOLDER["sites.csv"].replace("52.0", "north"))
    done = loamline("curve", "list", "--dir", folder)
    assert done.exit_code == 1
    assert done.stderr.splitlines()[0] == "sites.csv:2: latitude_deg: expected a number, got 'north'"
    assert done.stderr.splitlines()[1] == f"expected a registry folder without faults at {folder}, got 1"


def test_show_tells_all_of_a_curve(loamline, folder):
    (shown,) = as_json(loamline, "show", "topp-1980", "--dir", folder)
    digest = shown["digest"]
    assert shown == {
        "id": "topp-1980",
        "step": "soil",
        "kind": "topp1980",
        "for": "*",
        "valid_from": "2026-03-01T00:00:00Z",
        "parameters": {},
        "formula": "vwc = -0.053 + 0.0292 Ka - 0.00055 Ka^2 + 4.3e-06 Ka^3",
        "domain": [1.0, 81.0],
        "standard_error": 0.013,
        "standard_error_unit": "m3/m3",
        "standard_error_origin": "usual for kind topp1980",
        "source": "Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582",
        "digest": digest,
        "used_by": [
            {
                "dev_eui": "02AC000000000001",
                "depth_index": 0,
                "site": "North Field",
                "label": "row 4",
                "depth_cm": 10.0,
                "texture": "loam",
                "by_name": False,
                "from": "2026-03-01T00:00:00Z",
                "until": None,
            }
        ],
        "versions": [{"valid_from": "2026-03-01T00:00:00Z", "digest": digest}],
    }


def test_a_transducer_curve_is_used_by_probes_of_its_hardware(loamline, folder):
    (shown,) = as_json(loamline, "show", "bench-b", "--dir", folder)
    assert [(use["serial"], use["hardware"]) for use in shown["used_by"]] == [("S-0001", "B")]
    assert shown["standard_error_origin"] == "nobody: it adds nothing to a reading's uncertainty"


def test_a_curve_is_in_use_until_a_better_one_begins(loamline, folder, points):
    loamline("curve", "fit", points(), *OF_BED_A, "--append-to", folder)
    old, new = as_json(loamline, "show", "topp-1980", "bed-a", "--dir", folder)
    assert [(use["from"], use["until"]) for use in old["used_by"]] == [("2026-03-01T00:00:00Z", "2026-05-01T00:00:00Z")]
    assert [(use["from"], use["until"]) for use in new["used_by"]] == [("2026-05-01T00:00:00Z", None)]


def test_a_store_tells_versions_that_are_in_force_no_more(loamline, folder, tmp_path):
    store = tmp_path / "soil.duckdb"
    loamline("registry", "load", folder, "--store", store)
    (folder / "curves.toml").write_text(CURVES.replace("[1, 81]", "[2, 60]"))
    loamline("registry", "load", folder, "--store", store)
    (shown,) = as_json(loamline, "show", "topp-1980", "--store", store)
    assert shown["domain"] == [2.0, 60.0]
    assert [version["recorded_until"] is None for version in shown["versions"]] == [False, True]
    assert shown["versions"][1]["digest"] == shown["digest"]


def test_for_people_a_curve_is_lines_with_their_units(loamline, folder):
    done = loamline("curve", "show", "topp-1980", "--dir", folder)
    assert "  standard error  0.013 m3/m3 (usual for kind topp1980)\n" in done.stdout
    assert "  02AC000000000001 depth 0, North Field, row 4, 10 cm, as loam, 2026-03-01 on\n" in done.stdout


def test_a_curve_that_is_not_there_is_told_with_those_that_are(loamline, folder):
    done = loamline("curve", "show", "no-such", "--dir", folder)
    told = "expected a curve of this registry (bench-b, topp-1980), got 'no-such'"
    assert (done.exit_code, done.stderr.strip()) == (2, told)


@pytest.mark.parametrize("verb", ["add", "compare", "fit", "list", "show"])
def test_every_verb_ends_its_help_with_an_example(loamline, verb):
    done = loamline("curve", verb, "--help")
    assert f"loamline curve {verb} " in done.stdout.split("Example:")[1]
