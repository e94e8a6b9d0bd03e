"""`loamline mirror`: what it says, and what it refuses."""

from __future__ import annotations

import json

from loamline.edges.store.connection import Store


def test_it_tells_readings_and_files_to_people_and_to_scripts(stores, loamline, tmp_path):
    path, out = stores.make([stores.v1(stores.BARLEY, hour, 1850) for hour in range(3)]), tmp_path / "mirror"
    result = loamline("mirror", "--store", path, "--out", out)
    assert (result.exit_code, result.stdout) == (
        0,
        f"3 readings in {out}; files: 4 written, 0 unchanged, 0 removed\n",
    )
    result = loamline("mirror", "--store", path, "--out", out, "--json")
    assert json.loads(result.stdout) == {
        "readings": 3,
        "files": {"written": 0, "unchanged": 4, "removed": 0},
        "out": str(out),
    }


def test_a_folder_of_something_else_and_a_place_that_is_none_are_refused_in_a_sentence(stores, loamline, tmp_path):
    path = stores.make()
    result = loamline("mirror", "--store", path, "--out", path.parent)
    assert result.exit_code == 1
    assert result.stderr == (
        f"expected an empty folder or a mirror at {path.parent}, found other files and no manifest.json; name another\n"
    )
    result = loamline("mirror", "--store", path, "--out", tmp_path / "none" / "mirror")
    assert result.stderr == f"expected the folder {tmp_path / 'none'} for the mirror, found none; make it first\n"
    result = loamline("mirror", "--store", path, "--out", path)
    assert result.exit_code == 1
    assert result.stderr.startswith(f"expected to write the mirror {path}, got: ")


def test_a_store_that_the_daemon_has_is_told(stores, loamline, tmp_path):
    path = stores.make()
    with Store.open(path):
        result = loamline("mirror", "--store", path, "--out", tmp_path / "mirror")
    assert result.exit_code == 1
    assert result.stderr.startswith(f"expected {path} to be free, but process ")
