"""One replay of a raw log into a fresh store, by itself: what `replay_speed` measures, here or in a process of its own.

`python -m tests.bench.replay_run SOURCE TARGET` prints what it did, how long it took and how much memory it held.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Literal

import pyarrow as pa

from loamline.core.derive import Derived
from loamline.core.provenance import Registry
from loamline.edges.allocator import keep_freed_memory
from loamline.edges.ship.process_replay import derived_by, pool_of
from loamline.edges.store.connection import Store
from loamline.edges.store.probe_stream import ProbeStream
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.registry import insert, probe_ids, registry, save_state
from loamline.edges.store.replay import Block, delivery_counts, derive_here
from loamline.edges.store.stale import chunks
from loamline.edges.without_pandas import without_pandas
from loamline_codecs import builtin_codecs
from loamline_schemas.tables import READING, UPLINK
from tests.bench.archive import Archive
from tests.bench.archive_registry import archive_registry

#: Deliveries that are derived at once, and readings that are written at once: a row group of DuckDB's.
CHUNK, WRITTEN = 40_000, 122_880
#: `one`: by one thread. `beside`: derived by a process beside the one that reads and stores, as `--workers` does.
Way = Literal["one", "beside"]


@dataclass(frozen=True)
class Done:
    """What one replay did; `peak_bytes` is the whole process's, `opened_s` what registry and codecs took before."""

    deliveries: int
    readings: int
    seconds: float
    opened_s: float
    peak_bytes: int


def make_store(path: Path, archive: Archive) -> None:
    """Make a store that holds an archive's registry and raw log, and no readings."""
    with Store.open(path, create=True) as store:
        save_state(store, archive_registry(archive.probes), "bench")
        for block in archive.blocks():
            insert(store, UPLINK, block)
        store.con.execute("CHECKPOINT")


class ReplayRun:
    """A raw log and the registry that it is read under, open; `only`: the least and greatest probe id, None for all."""

    def __init__(self, source: Store, *, way: Way = "one", only: tuple[int, int] | None = None) -> None:
        self._source, self._way = source, way
        source.con.execute("SET threads = 1")
        numbers = probe_ids(source)
        self._registry: Registry = registry(source, numbers)
        #: Compiled once, as a daemon has it.
        known = replace(self._registry, states={1: self._registry.states[1]})
        self._pool = pool_of(1, (), known)
        self._codecs = builtin_codecs()
        low, high = only or (0, 1 << 31)
        self._probes = sorted(number for number in numbers.values() if low <= number <= high)

    def into(self, target: Store, most_chunks: int | None = None) -> tuple[int, int]:
        """Write the readings of the log into a fresh table; return how many deliveries and readings."""
        target.con.execute("SET threads = 1")
        target.con.execute(f"CREATE OR REPLACE TABLE reading ({', '.join(column.ddl for column in READING.columns)})")
        target.con.execute("DELETE FROM provenance")
        provenances = Provenances(target)
        deliveries = readings = 0
        waiting: list[pa.Table] = []
        for count, derived in self._derived(most_chunks):
            waiting.append(provenances.numbered(derived))
            deliveries += count
            readings += derived.readings.num_rows
            if sum(table.num_rows for table in waiting) >= WRITTEN:
                insert(target, READING, pa.concat_tables(waiting))
                waiting = []
        if waiting:
            insert(target, READING, pa.concat_tables(waiting))
        return deliveries, readings

    def _derived(self, most_chunks: int | None) -> Iterator[tuple[int, Derived]]:
        with ProbeStream(self._source, "uplink", self._probes) as log:
            blocks = self._blocks(log, most_chunks)
            made = (
                derive_here(blocks, self._codecs, self._registry)
                if self._way == "one"
                else derived_by(self._pool, 1, blocks)
            )
            for block, derived in made:
                yield block.deliveries.num_rows, derived

    def _blocks(self, log: ProbeStream, most_chunks: int | None) -> Iterator[Block]:
        none = READING.schema.empty_table()
        for probes in islice(chunks(delivery_counts(self._source, self._probes), CHUNK), most_chunks):
            yield Block(probes, log.until(probes[-1]), none)


def run(source: Path, target: Path, way: Way, only: tuple[int, int] | None) -> Done:
    """Replay once, after a chunk to warm up, and tell of it."""
    for old in target.parent.glob(f"{target.name}*"):
        old.unlink()
    start = time.perf_counter()
    with Store.open(source, writable=False) as store, Store.open(target, create=True) as fresh:
        replay = ReplayRun(store, way=way, only=only)
        opened_s = time.perf_counter() - start
        replay.into(fresh, 1)
        begun = time.perf_counter()
        deliveries, readings = replay.into(fresh)
        took_s = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return Done(deliveries, readings, took_s, opened_s, peak)


def run_apart(source: Path, target: Path, way: Way, cores: Sequence[int]) -> Done:
    """Replay in a process of its own, on these cores alone."""
    command = [sys.executable, "-m", "tests.bench.replay_run", source, target, way, "--cores", *cores]
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, check=True)
    return Done(**json.loads(done.stdout))


def main() -> None:
    """Replay once, print what came of it."""
    arguments = argparse.ArgumentParser(prog="python -m tests.bench.replay_run", description=__doc__.splitlines()[0])
    arguments.add_argument("source", type=Path)
    arguments.add_argument("target", type=Path)
    arguments.add_argument("way", choices=("one", "beside"), nargs="?", default="one")
    arguments.add_argument("--only", type=int, nargs=2, help="least and greatest probe id")
    arguments.add_argument("--cores", type=int, nargs="+", help="the cores to run on")
    given = arguments.parse_args()
    without_pandas()
    keep_freed_memory()
    if given.cores is not None and hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, given.cores)
    only = None if given.only is None else (given.only[0], given.only[1])
    done = run(given.source, given.target, given.way, only)
    sys.stdout.write(json.dumps(asdict(done)))


if __name__ == "__main__":
    main()
