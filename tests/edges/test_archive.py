"""The archive: closed months stand in Parquet files, and nothing that is read from the raw log can tell."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pyarrow.parquet as pq
import pytest

from loamline.edges.store.archive import ArchiveError, archive, bounds, closed_months, faults, restore
from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.writer import Writer
from loamline_schemas.tables import UPLINK
from tests.support.revised import CODECS, apply, assert_verified, load, stale, with_bench

NOW = datetime(2026, 8, 20, tzinfo=UTC)
_ALL = "SELECT * FROM {} ORDER BY seq"


@pytest.fixture
def path(stores):
    """Return a store of the end of April to the beginning of June: four probes and one uplink set aside."""
    months = [
        stores.v1(dev_eui, day * 24, 1500 + day, at_hour.get("degc", 12.0), fcnt=1000 + day)
        for day in range(-4, 36)
        for dev_eui, at_hour in ((stores.BARLEY, {}), (stores.PEARS, {"degc": 3.0 - day / 8}))
    ]
    unread = stores.uplink(stores.PEARS, "7F00", stores.START, fcnt=901)
    return stores.make(months, stores.season()[:60], [unread])


def moved(store, folder, **more):
    return list(archive(store, folder, NOW, **more))


def rows(store):
    return store.con.sql(_ALL.format(store.raw_log())).to_arrow_table()


def derived(store):
    query = "SELECT * FROM reading JOIN provenance USING (provenance_id) ORDER BY probe_id, depth_index, measured_at"
    return store.con.sql(query).to_arrow_table().drop_columns("provenance_id")


def archived(path, tmp_path, **more):
    with Store.open(path) as store:
        return moved(store, tmp_path / "raw-log", **more)


# --- which months -------------------------------------------------------------------------------------------------


def test_months_that_ended_over_35_days_ago_are_closed(path):
    with Store.open(path) as store:
        assert closed_months(store, datetime(2026, 7, 6, tzinfo=UTC)) == ["2026-04", "2026-05"]
        assert closed_months(store, datetime(2026, 7, 5, 23, tzinfo=UTC)) == ["2026-04"]
        assert closed_months(store, NOW, before="2026-05") == ["2026-04"]


@pytest.mark.parametrize(("before", "got"), [("2026-09", "2026-09"), ("May", "'May'"), ("2026-13", "'2026-13'")])
def test_what_is_no_month_or_has_not_begun_is_refused(path, before, got):
    with Store.open(path) as store, pytest.raises(ArchiveError, match=f"expected.*got {got}"):
        closed_months(store, NOW, before)


def test_the_first_and_the_last_month_that_can_be_written_have_bounds():
    assert bounds("0001-01")[1] == datetime(1, 2, 1, tzinfo=UTC)
    assert bounds("9999-12")[1].year == 9999
    assert bounds("2024-02") == (datetime(2024, 2, 1, tzinfo=UTC), datetime(2024, 3, 1, tzinfo=UTC))


# --- nothing can tell ---------------------------------------------------------------------------------------------


def test_the_raw_log_and_all_that_follows_from_it_are_the_same(path, tmp_path):
    with Store.open(path) as store:
        before, last_seq = rows(store), store.last_seq()
        assert store.raw_log() == "uplink"
        told = moved(store, tmp_path / "raw-log")
        assert [month.month for month in told] == ["2026-04", "2026-05", "2026-06"]
        assert sum(month.rows for month in told) == before.num_rows
        assert store.scalar("SELECT count(*) FROM uplink") == 0
        assert_verified(store)
    with Store.open(path) as store:
        assert rows(store).equals(before)
        assert store.last_seq() == last_seq
        assert_verified(store)
        assert len(list(restore(store))) == 3
        assert store.raw_log() == "uplink"
        assert rows(store).equals(before)
        assert_verified(store)


def test_a_question_about_other_times_or_probes_opens_no_file(path, tmp_path):
    archived(path, tmp_path, before="2026-06")
    with Store.open(path) as store:
        assert store.raw_log(since=datetime(2026, 6, 1, tzinfo=UTC)) == "uplink"
        assert store.raw_log(until=datetime(2026, 4, 1, tzinfo=UTC)) == "uplink"
        assert store.raw_log(probes=[15]) == "uplink"
        assert "month=2026-05" not in store.raw_log(until=datetime(2026, 4, 30, 23, tzinfo=UTC))
        assert "bucket=01" in store.raw_log(probes=[17])


def test_files_are_partitioned_sorted_and_told_of_in_the_manifest(path, tmp_path):
    archived(path, tmp_path)
    folder = tmp_path / "raw-log"
    files = sorted(file.relative_to(folder).as_posix() for file in folder.rglob("*.parquet"))
    manifest = json.loads((folder / "manifest.json").read_text())["files"]
    assert sorted(manifest) == files
    with Store.open(path) as store:
        assert {file.file for file in store.archived} == {folder / name for name in files}
        assert {file.path for file in store.archived} == {f"raw-log/{name}" for name in files}
    for name in files:
        table = pq.ParquetFile(folder / name)
        assert table.metadata.row_group(0).column(0).compression == "ZSTD"
        assert table.schema_arrow.names == list(UPLINK.names)
        keys = list(
            zip(*(table.read([key]).column(0).to_pylist() for key in ("probe_id", "heard_at", "seq")), strict=True)
        )
        assert keys == sorted(keys)
        assert {f"bucket={key[0] % 16:02d}" for key in keys} == {name.split("/")[1]}
        assert {f"month={key[1]:%Y-%m}" for key in keys} == {name.split("/")[0]}
        assert manifest[name]["rows"] == len(keys)


def test_a_replay_over_archived_months_is_the_same_as_without(path, stores, tmp_path):
    other = tmp_path / "other.duckdb"
    other.write_bytes(path.read_bytes())
    archived(path, tmp_path)
    found = []
    for each in (path, other):
        with Store.open(each) as store:
            load(store, with_bench(stores.registry(), 1, 31, 48))
            assert stale(store) > 0
            done = apply(store)
            assert_verified(store)
            found.append((done.changed, derived(store)))
    assert found[0][0] == found[1][0] > 0
    assert found[0][1].equals(found[1][1])


def test_late_and_redelivered_uplinks_of_archived_months_are_as_without(path, stores, tmp_path):
    other = tmp_path / "other.duckdb"
    other.write_bytes(path.read_bytes())
    archived(path, tmp_path)
    late = stores.v1(stores.BARLEY, 5 * 24 + 7, 1504, fcnt=5000)
    again = stores.v1(stores.BARLEY, 5 * 24, 1505, 12.0, fcnt=1005)
    by_another_network = replace_network(again)
    found = []
    for each in (path, other):
        with Store.open(each) as store:
            writer = Writer(store, CODECS)
            outcomes = [writer.commit([stores.accepted(told)], NOW) for told in (late, again, by_another_network)]
            assert_verified(store)
            found.append(([(o.accepted, o.duplicates) for o in outcomes], rows(store), derived(store)))
            assert store.scalar("SELECT count(*) FROM uplink") == (2 if each == path else store.last_seq())
    assert found[0][0] == found[1][0] == [(1, 0), (0, 1), (0, 1)]
    assert found[0][1].equals(found[1][1])
    assert found[0][2].equals(found[1][2])
    with Store.open(path) as store:  # what came late is archived beside the rest
        assert [month.rows for month in moved(store, tmp_path / "raw-log")] == [2]
        assert rows(store).equals(found[0][1])
        assert_verified(store)


def replace_network(uplink):
    return uplink.model_copy(update={"network": "another", "heard_at": uplink.heard_at + timedelta(seconds=2)})


def test_the_sequence_goes_on_after_everything_was_archived(path, stores, tmp_path):
    """The watermark counts what is archived, and no number is given twice."""
    archived(path, tmp_path)
    with Store.open(path) as store:
        last = store.last_seq()
        Writer(store, CODECS).commit([stores.accepted(stores.v1(stores.PEARS, 3000, 1500))], NOW)
        assert store.last_seq() == last + 1


# --- damage -------------------------------------------------------------------------------------------------------


def test_a_file_that_is_missing_or_short_keeps_the_store_from_opening(path, tmp_path):
    archived(path, tmp_path)
    with Store.open(path) as store:
        told = store.archived[0]
    content = told.file.read_bytes()
    told.file.write_bytes(content[:-1])
    with pytest.raises(
        StoreError, match=f"{told.size_bytes} bytes .*{told.sha256}.*found {len(content) - 1}: .*archive check"
    ):
        Store.open(path)
    told.file.unlink()
    with pytest.raises(StoreError, match=f"{told.file.name} .*{told.sha256}.*found none: .*archive check"):
        Store.open(path)
    told.file.write_bytes(content)
    with Store.open(path) as store:
        assert_verified(store)


def test_one_changed_bit_is_found_and_never_restored(path, tmp_path):
    archived(path, tmp_path)
    with Store.open(path) as store:
        assert faults(store) == []
        told = store.archived[-1]
        content = bytearray(told.file.read_bytes())
        content[len(content) // 3] ^= 4
        told.file.write_bytes(content)
        (fault,) = faults(store)
        assert str(told.file) in fault
        assert told.sha256 in fault
        with pytest.raises(ArchiveError, match=f"{told.sha256}.*nothing of {told.month} was restored"):
            list(restore(store, told.month))
        assert store.archived[-1] == told
        assert store.scalar("SELECT count(*) FROM uplink") == 0


def test_a_file_in_the_way_that_says_something_else_stops_it_before_anything_is_deleted(path, tmp_path):
    other = tmp_path / "other.duckdb"
    other.write_bytes(path.read_bytes())
    with Store.open(other) as store:
        store.con.execute("UPDATE uplink SET payload = 'x'::BLOB WHERE seq = (SELECT max(seq) - 5 FROM uplink)")
        moved(store, tmp_path / "raw-log")
    with Store.open(path) as store:
        before = rows(store)
        with pytest.raises(ArchiveError, match="2 rows apart; nothing was deleted"):
            moved(store, tmp_path / "raw-log")
        assert rows(store).equals(before)
        assert_verified(store)


def test_restored_files_stay_unless_they_are_to_go(path, tmp_path):
    archived(path, tmp_path)
    folder = tmp_path / "raw-log"
    with Store.open(path) as store:
        list(restore(store, "2026-04"))
        assert list(folder.glob("month=2026-04/*/*.parquet"))
        list(restore(store, "2026-05", delete=True))
        assert not (folder / "month=2026-05").exists()
        with pytest.raises(ArchiveError, match=r"expected an archived month \(2026-06\), got 2026-05"):
            list(restore(store, "2026-05"))
        assert {name.split("/")[0] for name in json.loads((folder / "manifest.json").read_text())["files"]} == {
            "month=2026-06"
        }
        assert [month.month for month in moved(store, folder)] == ["2026-04", "2026-05"]
        assert_verified(store)


# --- kill -9 ------------------------------------------------------------------------------------------------------

_KILLED = """
import os, signal, sys
from datetime import datetime
from pathlib import Path
from loamline.edges.store.archive import archive, restore
from loamline.edges.store.connection import Store

def told(part, done, total):
    if (part, done) == (sys.argv[3], int(sys.argv[4])):
        os.kill(os.getpid(), signal.SIGKILL)

with Store.open(Path(sys.argv[1])) as store:
    list(archive(store, Path(sys.argv[2]), datetime.fromisoformat(sys.argv[5]), told=told))
"""


@pytest.mark.parametrize(("part", "done"), [("archiving", 18), ("manifest", 1), ("deleting", 1), ("deleted", 2)])
def test_killed_at_any_moment_every_month_is_whole_and_a_rerun_goes_on(path, tmp_path, part, done):
    folder = tmp_path / "raw-log"
    with Store.open(path) as store:
        before = rows(store)
    command = [sys.executable, "-c", _KILLED, path, folder, part, done, NOW.isoformat()]
    killed = subprocess.run([str(word) for word in command], check=False, env=os.environ | {"PYTHONHASHSEED": "0"})
    assert killed.returncode == -signal.SIGKILL
    with Store.open(path) as store:
        assert rows(store).equals(before)
        gone = {file.month for file in store.archived}
        assert gone == ({"2026-04"} if part != "deleted" else {"2026-04", "2026-05"})
        assert {month.month for month in moved(store, folder)} == {"2026-04", "2026-05", "2026-06"} - gone
        assert rows(store).equals(before)
        assert faults(store) == []
        assert not list(folder.rglob("*.writing"))
