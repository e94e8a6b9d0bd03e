"""The Parquet mirror: equal to the store after every run, whatever stood there, with no more written than needed."""

from __future__ import annotations

import json
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from loamline.edges.mirror import MANIFEST, MirrorError, at_rest, mirror_steps, mirrored_at
from loamline.edges.store.connection import Store
from loamline.edges.store.placements import placements, probes, sites
from loamline.edges.store.readings import SCHEMA, Selection, readings
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs

NOW = datetime(2026, 8, 1, tzinfo=UTC)
APRIL, MAY, JUNE = (f"readings/month=2026-{month}/probes-00000.parquet" for month in ("04", "05", "06"))


def brought_up(path: Path, out: Path) -> dict[str, str]:
    """Bring the mirror up to date; return what was done with each file."""
    with Store.open(path, writable=False) as store:
        return {step.path: step.outcome for step in mirror_steps(at_rest(store), out, NOW)}


def rows_of_store(path: Path) -> pa.Table:
    with Store.open(path, writable=False) as store:
        return readings(store, Selection()).read_all()


def rows_of_mirror(out: Path) -> pa.Table:
    """Return the readings as somebody's own DuckDB finds them."""
    columns = ", ".join(f'"{name}"' for name in SCHEMA.names)
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    source = f"read_parquet('{out}/readings/*/*.parquet', hive_partitioning = true)"
    found = con.sql(f"SELECT {columns} FROM {source} ORDER BY dev_eui, depth_index, measured_at")  # noqa: S608
    return found.to_arrow_table().cast(SCHEMA)


def add(path: Path, stores, *uplinks) -> None:
    with Store.open(path) as store:
        Writer(store, builtin_codecs()).commit([stores.accepted(told) for told in uplinks], NOW)


@pytest.fixture
def path(stores):
    """Return a store of two months: three days at the end of May, and two of June."""
    return stores.make([stores.v1(stores.BARLEY, 24 * 28 + hour, 1850 - hour) for hour in range(120)])


def test_the_mirror_holds_what_the_store_holds_by_month_with_units(path, tmp_path):
    out = tmp_path / "mirror"
    assert set(brought_up(path, out).values()) == {"written"}
    assert rows_of_mirror(out).equals(rows_of_store(path))
    assert {file.parent.name for file in out.glob("readings/*/*")} == {"month=2026-05", "month=2026-06"}
    assert pq.read_schema(out / MAY).field("vwc_m3_m3").metadata[b"unit"] == b"m3/m3"
    with Store.open(path, writable=False) as store:
        for name, table in (("placements", placements(store)), ("sites", sites(store)), ("probes", probes(store))):
            assert pq.read_table(out / name / f"{name}.parquet").equals(table)


def test_a_second_run_writes_nothing(path, tmp_path):
    out = tmp_path / "mirror"
    brought_up(path, out)
    before = {file: file.stat().st_mtime_ns for file in out.rglob("*.parquet")}
    assert set(brought_up(path, out).values()) == {"unchanged"}
    assert {file: file.stat().st_mtime_ns for file in out.rglob("*.parquet")} == before


def test_only_months_whose_readings_changed_are_written_again(path, stores, tmp_path):
    """A late uplink for June touches June; May stays."""
    out = tmp_path / "mirror"
    brought_up(path, out)
    add(path, stores, stores.v1(stores.BARLEY, 24 * 45, 1800))
    done = brought_up(path, out)
    assert (done[MAY], done[JUNE]) == ("unchanged", "written")
    assert rows_of_mirror(out).equals(rows_of_store(path))


def test_an_earlier_month_that_comes_late_is_added(path, stores, tmp_path):
    out = tmp_path / "mirror"
    brought_up(path, out)
    payload = stores.v1(stores.PEARS, 0, 1500).payload_hex
    add(path, stores, stores.uplink(stores.PEARS, payload, datetime(2026, 4, 2, tzinfo=UTC)))
    assert brought_up(path, out)[APRIL] == "written"
    assert rows_of_mirror(out).equals(rows_of_store(path))


def test_a_run_that_breaks_off_anywhere_is_taken_up_where_it_was(path, tmp_path):
    """After each step the manifest tells what is done; what was done is not done again."""
    with Store.open(path, writable=False) as store:
        for stop in range(1, 5):
            out = tmp_path / f"mirror{stop}"
            steps = mirror_steps(at_rest(store), out, NOW)
            done = [next(steps).path for _ in range(stop)]
            steps.close()
            assert json.loads((out / MANIFEST).read_text())["complete"] is False
            rest = {step.path: step.outcome for step in mirror_steps(at_rest(store), out, NOW)}
            assert {name for name, outcome in rest.items() if outcome == "unchanged"} == set(done)
            assert json.loads((out / MANIFEST).read_text())["complete"] is True
            assert rows_of_mirror(out).equals(readings(store, Selection()).read_all())


def test_the_store_may_change_between_two_steps(path, stores, tmp_path):
    """As while the daemon drives it: what comes in the middle is there after the next run at the latest."""
    out = tmp_path / "mirror"
    with Store.open(path) as store:
        writer, hour = Writer(store, builtin_codecs()), 24 * 28 + 120
        for _ in mirror_steps(at_rest(store), out, NOW):
            told = [stores.v1(stores.BARLEY, at, 1700) for at in (hour, hour - 24 * 20)]
            writer.commit([stores.accepted(uplink) for uplink in told], NOW)
            hour += 1
        list(mirror_steps(at_rest(store), out, NOW))
    assert rows_of_mirror(out).equals(rows_of_store(path))


@pytest.mark.parametrize("harm", ["removed", "shortened"])
def test_a_file_that_was_lost_or_shortened_is_written_again(path, tmp_path, harm):
    out = tmp_path / "mirror"
    brought_up(path, out)
    if harm == "removed":
        (out / MAY).unlink()
    else:
        (out / MAY).write_bytes((out / MAY).read_bytes()[:-1])
    assert brought_up(path, out)[MAY] == "written"
    assert rows_of_mirror(out).equals(rows_of_store(path))


def test_files_of_readings_that_are_gone_are_removed(path, stores, tmp_path):
    """Another store in the same folder: nothing of the first is left beside it."""
    out = tmp_path / "mirror"
    brought_up(path, out)
    other = stores.make([stores.v1(stores.BARLEY, 24 * 40, 1850)])
    assert brought_up(other, out)[MAY] == "removed"
    assert rows_of_mirror(out).equals(rows_of_store(other))
    assert not (out / MAY).parent.exists()


def test_a_manifest_can_not_have_other_files_removed(path, tmp_path):
    """Only names of the mirror's own count in it."""
    out, precious = tmp_path / "mirror", tmp_path / "precious.parquet"
    precious.write_text("mine")
    brought_up(path, out)
    told = json.loads((out / MANIFEST).read_text())
    told["files"]["../precious.parquet"] = {"rows": 1, "size_bytes": 4, "digest": ""}
    (out / MANIFEST).write_text(json.dumps(told))
    brought_up(path, out)
    assert precious.read_text() == "mine"
    assert set(json.loads((out / MANIFEST).read_text())["files"]) == {
        file.relative_to(out).as_posix() for file in out.rglob("*.parquet")
    }


@pytest.mark.parametrize("content", [None, "no JSON", "[]", '{"form": 99, "files": {}}'])
def test_a_folder_of_something_else_is_refused_and_left_alone(path, tmp_path, content):
    out = tmp_path / "mirror"
    out.mkdir()
    name = "thesis.txt" if content is None else MANIFEST
    (out / name).write_text(content or "mine")
    with pytest.raises(MirrorError, match="expected "):
        brought_up(path, out)
    assert [(file.name, file.read_text()) for file in out.iterdir()] == [(name, content or "mine")]


def test_a_store_without_readings_has_an_empty_mirror(stores, tmp_path):
    out = tmp_path / "mirror"
    assert not [name for name in brought_up(stores.make(), out) if name.startswith("readings/")]
    assert json.loads((out / MANIFEST).read_text())["mirrored_at"] == "2026-08-01T00:00:00Z"


def test_what_a_killed_run_left_half_written_is_removed_and_nothing_else(path, tmp_path):
    out = tmp_path / "mirror"
    brought_up(path, out)
    left = [(out / MAY).with_name(".probes-00000.parquet.4711.unfinished"), out / ".manifest.json.4711.unfinished"]
    mine = (out / MAY).with_name(".notes.4711.unfinished")
    for file in (*left, mine):
        file.write_text("half")
    brought_up(path, out)
    assert not [file for file in left if file.exists()]
    assert mine.read_text() == "half"


def test_two_runs_do_not_meet_in_one_folder(path, tmp_path):
    out = tmp_path / "mirror"
    with Store.open(path, writable=False) as store:
        first = mirror_steps(at_rest(store), out, NOW)
        next(first)
        with pytest.raises(MirrorError, match="expected no other run at the mirror"):
            next(mirror_steps(at_rest(store), out, NOW))
        assert mirrored_at(out) is None
        list(first)
        assert mirrored_at(out) == NOW
        assert {step.outcome for step in mirror_steps(at_rest(store), out, NOW)} == {"unchanged"}


def test_each_step_reads_in_a_view_of_its_own_and_holds_none_between(path, tmp_path):
    """No version of a row is kept for longer than a file takes, and whoever closes the store waits for no more."""
    lent = []

    with Store.open(path, writable=False) as store:

        @contextmanager
        def lend():
            lent.append(1)
            yield store
            lent.append(-1)

        for _ in mirror_steps(lend, tmp_path / "mirror", NOW):
            assert sum(lent) == 0
    assert lent.count(1) > 4
