"""Segments shipped from a real store and derived elsewhere give what the store holds, whoever does the work."""

import json
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from distributed import Client, LocalCluster
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.ship import cluster_replay
from loamline.edges.ship.depot import Depot, DepotError
from loamline.edges.ship.deriving import Task, deriving, do_task
from loamline.edges.ship.engines import Local
from loamline.edges.ship.shipping import bucket_of, shipping
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs

BUCKETS = 6
LATER = datetime(2026, 9, 1, tzinfo=UTC)


def done(work):
    """Drive steps to their end; return what comes of them."""
    while True:
        try:
            next(work)
        except StopIteration as end:
            return end.value


def rows_of(out):
    """Return the readings of a run, in order, without the numbers that belong to a store."""
    tables = [pq.read_table(path) for path in sorted(Path(out).glob("bucket=*.parquet"))]
    rows = pa.concat_tables([table.drop_columns(["reference_id"]) for table in tables])
    return rows.sort_by([(name, "ascending") for name in ("probe_id", "depth_index", "measured_at")])


@pytest.fixture
def depot(stores):
    """Return a depot with the whole of a season's store in it."""
    path = stores.make(stores.season())
    depot = Depot(str(path.parent / "segments"))
    with Store.open(path) as store:
        done(shipping(store, depot, LATER, BUCKETS))
    return path, depot


def digests(made):
    return [(one.bucket, one.rows, one.digest) for one in made]


def test_derived_segments_are_the_readings_of_the_store(depot, tmp_path):
    path, place = depot
    done(deriving(place, str(tmp_path / "out"), Local()))
    with Store.open(path) as store:
        held = store.con.sql(
            "SELECT r.* EXCLUDE (provenance_id), p.* EXCLUDE (provenance_id, reference_id) "
            "FROM reading r JOIN provenance p USING (provenance_id) ORDER BY probe_id, depth_index, measured_at"
        ).to_arrow_table()
    found = rows_of(tmp_path / "out")
    assert held.num_rows > 100
    assert found.select(held.column_names).cast(held.schema).equals(held)


def test_every_row_goes_into_one_segment_and_what_comes_late_into_a_further_one(stores):
    season = stores.season()
    path = stores.make(season[:200])
    place = Depot(str(path.parent / "segments"))
    with Store.open(path) as store:
        first = done(shipping(store, place, LATER, BUCKETS))
        assert done(shipping(store, place, LATER, BUCKETS)).segments == 0, "nothing is new"
        Writer(store, builtin_codecs()).commit([stores.accepted(told) for told in season[200:]], LATER)
        second = done(shipping(store, place, LATER, BUCKETS))
        total = store.scalar("SELECT count(*) FROM uplink")
    seqs = [
        seq for one in place.manifest().segments for seq in place.read_table(one.path, one.sha256)["seq"].to_pylist()
    ]
    assert first.rows + second.rows == total == len(seqs)
    assert sorted(seqs) == list(range(1, total + 1))


def test_an_open_month_is_not_shipped(stores):
    path = stores.make(stores.season())
    with Store.open(path) as store:
        told = done(shipping(store, Depot(str(path.parent / "s")), stores.START + timedelta(days=5), BUCKETS))
    assert told.rows == 0


def test_the_number_of_buckets_is_for_good(depot):
    path, place = depot
    with Store.open(path) as store, pytest.raises(DepotError, match="expected 6 buckets"):
        next(shipping(store, place, LATER, 7))


def test_a_damaged_segment_is_told_by_its_name(depot, tmp_path):
    _, place = depot
    segment = place.manifest().segments[0]
    file = Path(place.path) / segment.path
    file.write_bytes(file.read_bytes()[:-1] + b"?")
    with pytest.raises(DepotError, match=r"expected .*parquet to have SHA-256 .*found"):
        done(deriving(place, str(tmp_path / "out"), Local()))
    assert not (tmp_path / "out" / "manifest.json").exists(), "a run that failed publishes nothing"


def test_readings_that_are_there_are_not_mixed_with_others(depot, tmp_path):
    _, place = depot
    done(deriving(place, str(tmp_path / "out"), Local()))
    with pytest.raises(DepotError, match=r"expected .* to be free"):
        next(deriving(place, str(tmp_path / "out"), Local()))


@given(st.text("0123456789ABCDEF", min_size=16, max_size=16), st.integers(1, 4096))
def test_a_probes_bucket_is_told_by_its_own_name(dev_eui, buckets):
    assert 0 <= bucket_of(dev_eui, buckets) < buckets
    assert bucket_of(dev_eui, buckets) == bucket_of(dev_eui, buckets)


def test_several_processes_make_the_same(depot, tmp_path):
    _, place = depot
    alone = done(deriving(place, str(tmp_path / "alone"), Local()))
    assert digests(done(deriving(place, str(tmp_path / "two"), Local(workers=2)))) == digests(alone)


#: A program of its own, whose functions travel to the workers whole: the first worker that begins a task is killed.
_KILLING = """
import os, signal, sys
from pathlib import Path
from distributed import Client, LocalCluster
from loamline.edges.ship.deriving import deriving, do_task
from loamline.edges.ship.depot import Depot
from loamline.edges.ship.engines import Cluster

def dies_once(task):
    import os, signal
    from pathlib import Path
    from loamline.edges.ship.deriving import do_task

    try:
        (Path(task.out).parent / "died").touch(exist_ok=False)
    except FileExistsError:
        return do_task(task)
    os.kill(os.getpid(), signal.SIGKILL)

class Killing(Cluster):
    def each(self, _do, tasks):
        return super().each(dies_once, tasks)

if __name__ == "__main__":
    place, out, workers = sys.argv[1], sys.argv[2], int(sys.argv[3])
    with LocalCluster(n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster:
        with Client(cluster) as client:
            for _ in deriving(Depot(place), out, Killing(client)):
                pass
"""


@pytest.mark.parametrize("workers", [2, 4])
def test_a_worker_that_is_killed_changes_nothing(depot, tmp_path, workers):
    """A real cluster of processes; the one that dies is replaced, and its task is done by another."""
    _, place = depot
    alone = done(deriving(place, str(tmp_path / "alone"), Local()))
    program = tmp_path / "killing.py"
    program.write_text(_KILLING)
    out = tmp_path / "spread"
    subprocess.run([sys.executable, program, place.path, out, str(workers)], check=True, timeout=300)
    assert (tmp_path / "died").exists()
    told = json.loads((out / "manifest.json").read_text())
    assert [(one["bucket"], one["rows"], one["digest"]) for one in told["buckets"]] == digests(alone)


def test_a_task_that_runs_twice_leaves_the_same_file(depot, tmp_path):
    _, place = depot
    made = done(deriving(place, str(tmp_path / "out"), Local()))
    manifest = place.manifest()
    bucket = made[0].bucket
    segments = tuple((one.path, one.sha256) for one in manifest.of_bucket(bucket))
    task = Task(place.path, str(tmp_path / "out"), manifest.registry, bucket, segments)
    assert do_task(task) == made[0]


def test_a_replay_by_processes_or_on_a_cluster_gives_the_readings_of_a_replay_here(stores, loamline, tmp_path):
    """By the commands, on the same store each time: the chain elsewhere, and in this process."""

    def replayed(*engine):
        path = stores.make(stores.season())
        state = stores.registry()
        curves = tuple(
            curve.model_copy(update={"coefficients": (1, 31, 49)}) if curve.step == "transducer" else curve
            for curve in state.curves
        )
        with Store.open(path) as store:
            save_state(store, replace(state, curves=curves), "revised")
        done = loamline("replay", "apply", "--store", path, "--reason", "again", "--json", *engine)
        assert done.exit_code == 0, done.output
        out = path.with_suffix(".csv")
        assert loamline("export", "--store", path, "--out", out).exit_code == 0
        return json.loads(done.stdout)["changed"], out.read_bytes()

    here = replayed()
    assert here[0] > 100
    assert replayed("--workers", 2) == here, "in processes beside this one"
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        assert replayed("--engine", "dask", "--scheduler", cluster.scheduler_address) == here
        asked = client.run(lambda: cluster_replay._codecs_of.cache_info().misses)
    assert sum(asked.values()) >= 1, "a worker read the codecs, and so derived"
