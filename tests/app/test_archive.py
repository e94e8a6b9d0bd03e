"""`loamline archive`: what it says, and that no other command can tell."""

from __future__ import annotations

import json

import pytest

from loamline.edges.store.connection import Store
from tests.support.revised import exported


@pytest.fixture
def path(stores):
    """Return a store of the end of April and the beginning of May 2026."""
    unread = stores.uplink(stores.PEARS, "7F00", stores.START, fcnt=901)
    told = [stores.v1(stores.BARLEY, hour, 1500 + hour, fcnt=100 + hour) for hour in range(-30, 30)]
    return stores.make([*told, unread])


@pytest.fixture
def run(loamline):
    """Return a function that runs a verb and gives its JSON."""

    def told(*arguments, code=0):
        done = loamline("archive", *arguments, "--json")
        assert done.exit_code == code, done.output
        return json.loads(done.stdout)

    return told


def test_archived_listed_checked_and_restored_the_export_stays_the_same(path, tmp_path, loamline, run):
    before = exported(loamline, path)
    done = run("run", "--store", path, "--dir", tmp_path / "raw-log", "--before", "2026-06")
    assert [(month["month"], month["rows"]) for month in done["months"]] == [("2026-04", 30), ("2026-05", 31)]
    assert done["rows"] == 61
    for told in (exported(loamline, path), exported(loamline, path, "--as-of", "2026-12-01T00:00:00Z")):
        assert told == before
    assert json.loads(loamline("verify", "--store", path, "--json").stdout)["differences"] == 0
    assert [month["month"] for month in run("list", "--store", path)] == ["2026-04", "2026-05"]
    assert run("check", "--store", path) == {"files": 3, "rows": 61, "faults": []}
    assert run("restore", "2026-04", "--store", path)["rows"] == 30
    assert run("restore", "--store", path, "--delete")["rows"] == 31
    assert run("list", "--store", path) == []
    assert exported(loamline, path) == before
    assert json.loads(loamline("verify", "--store", path, "--json").stdout)["differences"] == 0


def test_people_are_told_in_sentences(path, tmp_path, loamline):
    def said(*arguments):
        return loamline("archive", *arguments, "--store", path).stdout

    assert said("list") == "no month is archived\n"
    assert said("restore") == "no month is archived: nothing was restored\n"
    assert said("run", "--dir", tmp_path / "a", "--before", "2026-04").startswith("no month in the store is old enough")
    assert said("run", "--dir", tmp_path / "a", "--before", "2026-05").startswith("2026-04: 30 uplinks in 1 files, ")
    assert "2026-04" in said("list")
    assert said("check") == "1 files, 30 uplinks: no faults\n"
    assert said("restore", "2026-04") == "2026-04: 30 uplinks are back in the store\n"


def test_fleet_set_aside_and_explain_read_archived_months(path, tmp_path, stores, loamline, run):
    questions = (
        ("fleet", "--store", path, "--days", "3650", "--json"),
        ("set-aside", "--store", path, "--json"),
        ("explain", stores.BARLEY, "2026-05-01T03:00:00Z", "--store", path, "--json"),
    )
    before = [loamline(*question) for question in questions]
    run("run", "--store", path, "--dir", tmp_path / "raw-log", "--before", "2026-06")
    for then, question in zip(before, questions, strict=True):
        assert then.exit_code == 0, then.output
        assert loamline(*question).stdout == then.stdout


def test_damage_is_found_and_told_with_file_and_digest(path, tmp_path, loamline, run):
    run("run", "--store", path, "--dir", tmp_path / "raw-log", "--before", "2026-06")
    (month, _) = run("list", "--store", path)
    (file,) = month["files"]
    (tmp_path / file["path"]).unlink()
    (fault,) = run("check", "--store", path, code=1)["faults"]
    assert file["path"] in fault
    assert file["sha256"] in fault
    refused = loamline("verify", "--store", path)
    assert refused.exit_code == 2
    assert file["sha256"] in refused.stderr
    assert "archive check" in refused.stderr
    refused = loamline("archive", "restore", "--store", path)
    assert refused.exit_code == 1
    assert "nothing of 2026-04 was restored" in refused.stderr


@pytest.mark.parametrize("before", ["2999-01", "April"])
def test_what_is_no_month_that_has_begun_is_refused_in_a_sentence(path, tmp_path, loamline, before):
    refused = loamline("archive", "run", "--store", path, "--dir", tmp_path / "raw-log", "--before", before)
    assert refused.exit_code == 1
    assert before in refused.stderr
    assert not (tmp_path / "raw-log").exists()


def test_a_store_that_is_in_use_is_left_alone(path, tmp_path, loamline):
    with Store.open(path):
        refused = loamline("archive", "run", "--store", path, "--dir", tmp_path / "raw-log")
    assert refused.exit_code == 1
    assert "stop it" in refused.stderr


@pytest.mark.parametrize("verb", ["run", "list", "check", "restore"])
def test_help_ends_with_an_example(loamline, verb):
    assert f"loamline archive {verb} " in loamline("archive", verb, "--help").stdout.strip().splitlines()[-1]
