"""Commands that look at history, or move it, while a daemon has the store open: they say what they say without one."""

from __future__ import annotations

import json

import pytest

from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from tests.app.test_desk import OneEachTime
from tests.support.beside import daemon_on
from tests.support.daemon import until
from tests.support.large_store import fleet_registry, fleet_store
from tests.support.revised import apply, assert_verified, exported, load, with_bench


@pytest.fixture
def store(stores):
    """Return a store with an applied revision, and another correction loaded since."""
    path = stores.make(stores.season())
    with Store.open(path) as opened:
        load(opened, with_bench(stores.registry(), 1, 36, 60))
        apply(opened)
        load(opened, with_bench(stores.registry(), 1, 31, 48))
    return path


@pytest.fixture
def said(loamline):
    """Return a function that runs a command and gives its JSON."""

    def run(*arguments):
        done = loamline(*arguments, "--json")
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    return run


def previewed(said, store, folder):
    """Return everything that a preview gives: report, file and drawings."""
    out, drawings = folder / "changes.parquet", folder / "drawings"
    told = said("replay", "preview", "--store", store, "--out", out, "--draw", drawings)
    assert sorted(path.name for path in folder.iterdir()) == ["changes.parquet", "drawings"]
    return told, out.read_bytes(), {path.name: path.read_bytes() for path in drawings.iterdir()}


def test_a_preview_gives_the_same_report_file_and_drawings(store, said, loamline, tmp_path):
    for name in ("without", "with"):
        (tmp_path / name).mkdir()
    alone = previewed(said, store, tmp_path / "without")
    shown = loamline("replay", "preview", "--store", store).stdout
    with daemon_on(store):
        assert previewed(said, store, tmp_path / "with") == alone
        assert loamline("replay", "preview", "--store", store).stdout == shown
        (tmp_path / "with" / "drawings" / "more").mkdir()
        told = said("replay", "preview", "--store", store, "--draw", tmp_path / "with" / "drawings" / "more")
        assert told == alone[0]
    drawn = tmp_path / "with" / "drawings" / "more"
    assert {path.name: path.read_bytes() for path in drawn.iterdir()} == alone[2]
    assert alone[0]["changed"] > 0
    assert len(alone[2]) == 2  # the profile reports permittivity


def test_with_nothing_stale_a_preview_says_so(stores, loamline, tmp_path):
    path = stores.make(stores.season()[:20])
    with daemon_on(path):
        done = loamline("replay", "preview", "--store", path, "--out", tmp_path / "x.parquet")
    assert done.stdout == "nothing is stale: nothing would change\n"


@pytest.mark.parametrize("suffix", ["csv", "parquet", "xlsx"])
def test_an_export_as_of_a_revision_gives_the_same_bytes(store, loamline, tmp_path, suffix):
    def run(as_of, *arguments):
        out = tmp_path / f"out.{suffix}"
        done = loamline("export", "--store", store, "--out", out, "--as-of", as_of, *arguments)
        assert done.exit_code == 0, done.output
        return out.read_bytes(), done.stdout

    questions = (("0",), ("1",), ("2999-01-01T00:00:00Z", "--site", "pear orchard", "--since", "2026-05-02"))
    alone = [run(*question) for question in questions]
    with daemon_on(store):
        assert [run(*question) for question in questions] == alone
    assert len({content for content, _ in alone}) == 3
    assert not list(tmp_path.glob(".*"))


def test_an_export_as_of_goes_to_standard_output_too(store, loamline):
    alone = exported(loamline, store, "--as-of", 0)
    with daemon_on(store):
        done = loamline("export", "--store", store, "--out", "-", "--as-of", 0)
    assert done.stdout_bytes == alone


def test_months_are_archived_listed_checked_and_restored(stores, store, said, loamline, tmp_path):
    before = exported(loamline, store)
    with daemon_on(store):
        done = said("archive", "run", "--store", store, "--dir", tmp_path / "raw-log", "--before", "2026-06")
        assert (done["months"][0]["month"], done["rows"]) == ("2026-05", len(stores.season()))
        (month,) = said("archive", "list", "--store", store)
        assert (month["rows"], len(month["files"])) == (done["rows"], done["months"][0]["files"])
        assert said("archive", "check", "--store", store)["faults"] == []
        refused = loamline("archive", "restore", "2026-01", "--store", store)
        assert (refused.exit_code, refused.stderr.startswith("expected an archived month (2026-05)")) == (1, True)
    with Store.open(store) as opened:
        assert opened.scalar("SELECT count(*) FROM uplink") == 0
        assert_verified(opened)
    assert exported(loamline, store) == before
    with daemon_on(store):
        assert said("archive", "restore", "--store", store, "--delete")["rows"] == done["rows"]
        assert said("archive", "list", "--store", store) == []
    assert not list((tmp_path / "raw-log").rglob("*.parquet"))
    with Store.open(store) as opened:
        assert_verified(opened)
    assert exported(loamline, store) == before


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("replay", "preview", "--probe", "S-1"), "expected the dev_eui or serial of a probe in the store, got 'S-1'"),
        (("replay", "preview", "--out", "no-folder/x.parquet"), "expected to write no-folder/"),
        (("replay", "preview", "--codec-dir", "."), "expected no --codec-dir"),
        (("export", "--out", "no-folder/x.csv", "--as-of", "0"), "expected to write "),
        (("export", "--out", "x.csv", "--as-of", "9"), "--as-of: expected a revision that was applied (1)"),
        (("export", "--out", "x.csv", "--as-of", "0", "--site", "South"), "expected a site in the store, got 'South'"),
        (("archive", "run", "--dir", "raw-log", "--before", "April"), "expected a month as YYYY-MM, got 'April'"),
    ],
)
def test_what_cannot_be_is_told_in_a_sentence(store, loamline, tmp_path, monkeypatch, arguments, sentence):
    monkeypatch.chdir(tmp_path)
    with daemon_on(store):
        done = loamline(*arguments, "--store", store)
    assert done.exit_code in (1, 2)
    assert done.stderr.startswith(sentence), done.stderr
    assert done.stderr.count("\n") == 1
    assert not [path for path in tmp_path.iterdir() if "handed-over" in path.name]


#: So many that a look takes a while, of March and the first half of April 2025.
PROBES, HOURS = 24, 1000


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    path = tmp_path_factory.mktemp("large") / "s.duckdb"
    fleet_store(path, PROBES, HOURS)
    with Store.open(path) as opened:
        save_state(opened, fleet_registry(PROBES, slope=0.01), "corrected")
    return path


@pytest.fixture
def fleet(large, tmp_path):
    path = tmp_path / "s.duckdb"
    path.write_bytes(large.read_bytes())
    return path


def test_messages_are_stored_while_months_are_archived_and_restored(fleet, said, tmp_path):
    """What is late for a month that is being archived stays in the table, and all is derived as it should."""
    source = OneEachTime()  # deliveries of March by another way
    with daemon_on(fleet, source):
        until(lambda: len(source.sent) > 10)
        before = len(source.sent)
        done = said("archive", "run", "--store", fleet, "--dir", tmp_path / "raw-log", "--before", "2025-05")
        assert len(source.sent) > before + 3
        march = done["months"][0]["rows"]
        assert said("archive", "restore", "2025-03", "--store", fleet)["rows"] == march > PROBES * 744
        assert said("replay", "preview", "--store", fleet)["changed"] >= PROBES * HOURS
    assert {month["month"] for month in done["months"]} == {"2025-03", "2025-04"}
    assert done["rows"] >= PROBES * HOURS + before
    with Store.open(fleet) as opened:
        assert_verified(opened)
        rows = opened.scalar(f"SELECT count(*) FROM {opened.raw_log()}")  # noqa: S608 - our own names
        assert rows == PROBES * HOURS + len(source.sent)
        assert opened.scalar("SELECT count(*) FROM uplink") >= march + 3


def test_a_command_that_leaves_in_the_middle_leaves_nothing_behind(fleet, tmp_path):
    """The daemon drops what nobody waits for, with the file that it was writing."""
    file = tmp_path / "rows"
    with daemon_on(fleet) as log:
        with ControlClient(socket_path(fleet)) as client:
            asked = client.ask("replay_preview", file=file)
            assert any(told["part"] == "comparing" for told in asked)
            asked.close()
        until(lambda: not list(tmp_path.glob("rows*")))
        with ControlClient(socket_path(fleet)) as client:
            assert client.answer("replay_plan")["stale"] == PROBES * HOURS
    assert [line["goes_on"] for line in log if line["event"] == "nobody waits for the answer any more"] == [False]
