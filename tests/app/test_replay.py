"""`loamline replay`: plan, preview, apply, undo, list, show; and `export --as-of`."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
from datetime import datetime, timedelta

import pyarrow.parquet as pq
import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.writer import Writer
from tests.support.revised import CODECS, assert_verified, exported, load, with_bench

REVISED = (1, 36, 60)
#: All readings by count: those of permittivity and faults use no transducer curve, and no curve is for the stranger.
STALE = 231


@pytest.fixture
def store(stores):
    """Return a store of five days of readings, with a corrected curve loaded since."""
    path = stores.make(stores.season())
    with Store.open(path) as opened:
        load(opened, with_bench(stores.registry(), *REVISED))
    return path


@pytest.fixture
def replay(loamline):
    """Return a function that runs a verb with --json and gives what it printed."""

    def run(verb, *arguments):
        done = loamline("replay", verb, *arguments, "--json")
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    return run


def verified(store):
    with Store.open(store, writable=False) as opened:
        assert_verified(opened)


# --- plan and preview ----------------------------------------------------------------------------------------------


def test_plan_tells_how_many_are_stale_and_why(store, replay, loamline):
    told = replay("plan", "--store", store)
    assert (told["stale"], told["causes"]) == (STALE, {"transducer": STALE})
    assert told["sites"] == {"North field": 113, "Pear orchard": 118}
    assert told["months"] == {"2026-05": STALE}
    shown = loamline("replay", "plan", "--store", store).stdout
    assert f"{STALE} readings are stale under registry state 2" in shown
    assert "the transducer curve" in shown


def test_preview_reports_by_place_and_changes_nothing(store, replay, loamline):
    before = exported(loamline, store)
    told = replay("preview", "--store", store)
    assert told["changed"] == STALE
    field = told["report"][0]
    assert (field["site"], field["depth_cm"], field["texture"], field["rows"]) == ("North field", 10.0, "loam", 113)
    assert (
        0.04 < field["mean_shift_m3_m3"] <= field["p95_absolute_shift_m3_m3"] <= field["largest_absolute_shift_m3_m3"]
    )
    assert (field["first_measured_at"], field["last_measured_at"]) == ("2026-05-01T00:00:00Z", "2026-05-05T23:00:00Z")
    assert exported(loamline, store) == before
    assert replay("plan", "--store", store)["stale"] == STALE
    assert f"{STALE} readings would change" in loamline("replay", "preview", "--store", store).stdout


def test_preview_opens_the_store_to_read_only(store, replay):
    with Store.open(store, writable=False):
        assert replay("preview", "--store", store)["changed"] == STALE


def test_preview_writes_changes_for_a_notebook_and_drawings(store, replay, tmp_path):
    out, drawings = tmp_path / "changes.parquet", tmp_path / "drawings"
    replay("preview", "--store", store, "--out", out, "--draw", drawings, "--site", "North field")
    table = pq.read_table(out)
    assert table.num_rows == 113
    row = table.to_pylist()[0]
    assert (row["dev_eui"], row["site"], row["depth_index"], row["depth_cm"]) == (
        "02BB000000000001",
        "North field",
        0,
        10.0,
    )
    assert row["vwc_m3_m3_after"] > row["vwc_m3_m3_before"] > 0.3
    assert (row["verdict_before"], row["verdict_after"]) == ("pass", "pass")
    assert table.schema.field("vwc_m3_m3_after").metadata[b"unit"] == b"m3/m3"
    assert [path.name for path in drawings.iterdir()] == ["02BB000000000001.svg"]
    first = (drawings / "02BB000000000001.svg").read_bytes()
    assert first.startswith(b"<?xml")
    replay("preview", "--store", store, "--draw", drawings, "--site", "North field")
    assert (drawings / "02BB000000000001.svg").read_bytes() == first, "the same figures give the same file"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("plan", "--probe", "S-1"), "expected the dev_eui or serial of a probe in the store, got 'S-1'; near it"),
        (("plan", "--site", "South"), "expected a site in the store, got 'South'"),
        (("preview", "--curve", "topp"), "expected the id of a curve in the store, got 'topp'; near it: topp-1980"),
        (("apply", "--reason", "x", "--probe", "S-1"), "expected the dev_eui or serial of a probe in the store"),
        (("apply", "--reason", " "), "expected --reason to say why, got nothing"),
        (("plan", "--since", "2026-05-02", "--until", "2026-05-01"), "expected --since before --until"),
        (("plan", "--since", "2026-05-02", "--until", "2026-05-02"), "expected --since before --until"),
        (("preview", "--out", "changes.csv"), "expected --out FILE.parquet, got changes.csv"),
        (("preview", "--out", "no-such-folder/x.parquet"), "expected to write no-such-folder/"),
        (("undo",), "expected an applied revision to take back, found none"),
        (("undo", 3), "expected a revision of this store, got 3"),
        (("show",), "expected a revision in"),
    ],
)
def test_what_cannot_be_is_told_in_a_sentence(store, loamline, arguments, sentence):
    done = loamline("replay", *arguments, "--store", store)
    assert done.exit_code in (1, 2)
    assert done.stderr.startswith(sentence)
    assert done.stderr.count("\n") == 1


def test_no_store_is_told(loamline, tmp_path):
    for verb in (("plan",), ("preview",), ("apply", "--reason", "x"), ("undo",), ("list",)):
        done = loamline("replay", *verb, "--store", tmp_path / "none.duckdb")
        assert (done.exit_code, done.stderr.startswith("expected a store at")) == (1, True)


# --- apply and undo ------------------------------------------------------------------------------------------------


def test_apply_then_undo_gives_the_former_export_byte_for_byte(store, replay, loamline):
    before = exported(loamline, store)
    assert replay("apply", "--store", store, "--reason", "a test") == {"revision": 1, "changed": STALE, "resumed": None}
    after = exported(loamline, store)
    assert after != before
    assert replay("plan", "--store", store)["stale"] == 0
    verified(store)
    assert replay("apply", "--store", store, "--reason", "again")["revision"] is None
    assert exported(loamline, store) == after
    assert replay("undo", "--store", store) == {"revision": 1, "changed": STALE}
    assert exported(loamline, store) == before
    verified(store)


def test_with_nothing_stale_it_says_so_and_does_nothing(stores, loamline):
    store = stores.make(stores.season()[:20])
    assert loamline("replay", "plan", "--store", store).stdout == "nothing is stale\n"
    done = loamline("replay", "apply", "--store", store, "--reason", "a test")
    assert (done.exit_code, done.stdout) == (0, "nothing is stale: nothing was done\n")
    assert loamline("replay", "list", "--store", store).stdout == "no revision was ever asked for\n"
    assert "nothing would change" in loamline("replay", "preview", "--store", store).stdout


def test_a_scope_is_brought_up_and_the_rest_stays_stale(store, replay):
    assert replay("apply", "--store", store, "--reason", "field first", "--site", "north field")["changed"] == 113
    assert replay("plan", "--store", store)["sites"] == {"Pear orchard": 118}
    told = replay("apply", "--store", store, "--reason", "then these", "--probe", "S-0002", "--until", "2026-05-02")
    assert (told["revision"], told["changed"]) == (2, 24)
    verified(store)


def test_a_revision_tells_who_when_why_and_of_what(store, replay, loamline):
    replay("apply", "--store", store, "--reason", "the [May] run", "--by", "the laboratory", "--site", "North field")
    (listed,) = replay("list", "--store", store)
    assert replay("show", "--store", store) == replay("show", 1, "--store", store) == listed
    assert listed["revision"] == 1
    assert (listed["asked_by"], listed["reason"], listed["step"]) == ("the laboratory", "the [May] run", "applied")
    assert (listed["changed"], listed["reference_id"], listed["scope"]) == (113, 2, {"sites": ["North field"]})
    assert datetime.fromisoformat(listed["asked_at"]) <= datetime.fromisoformat(listed["published_at"])
    assert listed["undone_at"] is None
    for verb in ("list", "show"):
        assert "the [May] run" in loamline("replay", verb, "--store", store).stdout
    replay("undo", 1, "--store", store)
    assert replay("show", "--store", store)["step"] == "undone"


# --- export --as-of ------------------------------------------------------------------------------------------------


def test_both_sides_of_a_revision_stay_to_be_exported(store, replay, loamline):
    before = exported(loamline, store)
    replay("apply", "--store", store, "--reason", "a test")
    after = exported(loamline, store)
    assert exported(loamline, store, "--as-of", 0) == before
    assert exported(loamline, store, "--as-of", 1) == after
    replay("undo", "--store", store)
    assert exported(loamline, store, "--as-of", 1) == after, "right after it was published it was not undone"
    assert exported(loamline, store) == exported(loamline, store, "--as-of", 0) == before


def test_as_of_an_instant_shows_what_was_stored_by_then(stores, loamline):
    """Two batches, on the first of July and of August."""
    july, august = datetime.fromisoformat("2026-07-01T00:00:00Z"), datetime.fromisoformat("2026-08-01T00:00:00Z")
    season = [stores.accepted(uplink) for uplink in stores.season()]
    path = stores.make()
    with Store.open(path) as store:
        Writer(store, CODECS).commit(season[:100], july)
    first = exported(loamline, path)
    with Store.open(path) as store:
        Writer(store, CODECS).commit(season[100:], august)
    assert exported(loamline, path, "--as-of", "2026-07-15") == first
    assert exported(loamline, path, "--as-of", "2026-08-01") == exported(loamline, path)
    assert exported(loamline, path, "--as-of", "2026-06-01").count(b"\r\n") == 1, "the header alone"
    day = ("--since", "2026-05-02", "--until", "2026-05-03", "--probe", "S-0001")
    assert exported(loamline, path, "--as-of", "2026-08-01", *day) == exported(loamline, path, *day)


@pytest.mark.parametrize(
    ("as_of", "sentence"),
    [
        ("3", "--as-of: expected a revision that was applied, found none"),
        ("soon", "--as-of: expected RFC 3339 such as 2026-05-01T10:00:00Z"),
    ],
)
def test_an_as_of_that_was_never_is_told(store, loamline, tmp_path, as_of, sentence):
    done = loamline("export", "--store", store, "--out", tmp_path / "x.csv", "--as-of", as_of)
    assert done.exit_code == 2
    assert done.stderr.startswith(sentence)


# --- killed --------------------------------------------------------------------------------------------------------

#: The apply command's work in steps of one probe, telling of each.
_APPLY = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from loamline.app.replaying import Scope, begin_apply
from loamline.edges.store.connection import Store
from loamline.edges.store.replay import Replay
from loamline.edges.store.revisions import unfinished
from loamline_codecs import builtin_codecs
codecs = builtin_codecs()
with Store.open(Path(sys.argv[1])) as store:
    left = unfinished(store)
    print("open", flush=True)
    number = left.revision_id if left else begin_apply(store, codecs, Scope(), "killed", "tester", datetime.now(UTC))
    for told in Replay(store, codecs, chunk=1).finish(number):
        print(told.part, told.done, flush=True)
"""


@pytest.mark.parametrize("seed", range(4))
def test_killed_at_any_moment_the_old_state_is_whole_or_the_new_one_is(store, loamline, replay, tmp_path, seed):
    """Killed up to three times; the command then ends where an undisturbed one does."""
    rng = random.Random(seed)
    before = exported(loamline, store)
    undisturbed = tmp_path / "undisturbed.duckdb"
    for suffix in ("", ".watermark"):
        shutil.copyfile(store.with_name(store.name + suffix), undisturbed.with_name(undisturbed.name + suffix))
    replay("apply", "--store", undisturbed, "--reason", "a test")
    after = exported(loamline, undisturbed)
    for _ in range(rng.randint(1, 3)):
        _killed_after(store, lines=rng.randint(1, 8), then_s=rng.choice([0, 0.002, 0.01, 0.05]))
        assert exported(loamline, store) in (before, after)
        verified(store)
    told = replay("apply", "--store", store, "--reason", "a test")
    assert exported(loamline, store) == after
    assert told["revision"] in (None, 1)
    (row,) = replay("list", "--store", store)
    assert (row["step"], row["changed"]) == ("applied", STALE)
    verified(store)
    replay("undo", "--store", store)
    assert exported(loamline, store) == before


def _killed_after(store, lines, then_s):
    """Kill the work so many seconds after so many lines of it, unless it is done before."""
    work = subprocess.Popen([sys.executable, "-c", _APPLY, str(store)], stdout=subprocess.PIPE, text=True)
    with work:
        for _ in range(lines):
            if not work.stdout.readline():
                break
        try:
            work.wait(then_s)
        except subprocess.TimeoutExpired:
            work.kill()


def test_help_ends_with_an_example(loamline):
    for verb in ("plan", "preview", "apply", "undo", "list", "show"):
        shown = loamline("replay", verb, "--help").stdout
        assert f"loamline replay {verb}" in shown[shown.index("Example") :]


def test_late_uplinks_after_apply_and_undo_are_derived_as_they_should(stores, store, replay):
    for hours, verb in ((30, ("apply", "--reason", "a test")), (31, ("undo",)), (32, ("apply", "--reason", "again"))):
        replay(*verb[:1], "--store", store, *verb[1:])
        with Store.open(store) as opened:
            uplink = stores.v1(stores.BARLEY, hours, 1750, fcnt=hours + 900, dev_addr="0B0B0B0B")
            Writer(opened, CODECS).commit([stores.accepted(uplink)], stores.START + timedelta(days=200))
        verified(store)
