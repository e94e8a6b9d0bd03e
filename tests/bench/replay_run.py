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
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path
from typing import Literal

import numpy as np
import pyarrow as pa

from loamline.core.columns import ints, whole
from loamline.core.derive import derive
from loamline.core.provenance import Registry
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.registry import insert, probe_ids, registry, save_state
from loamline.edges.store.replay import deliveries_of, delivery_counts
from loamline.edges.store.stale import chunks
from loamline_codecs import builtin_codecs
from loamline_schemas.tables import READING, UPLINK
from tests.bench.archive import Archive
from tests.bench.archive_registry import archive_registry

#: Deliveries that are derived at once.
CHUNK = 20_000
#: `chunks`: the log is asked for some probes at a time, as `edges/store/replay.py` does. `pass`: it is read once, in
#: order of probes, which DuckDB sorts.
Reading = Literal["chunks", "pass"]


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

    def __init__(self, source: Store, *, reading: Reading = "chunks", only: tuple[int, int] | None = None) -> None:
        self._source, self._reading = source, reading
        source.con.execute("SET threads = 1")
        numbers = probe_ids(source)
        self._registry: Registry = registry(source, numbers)
        _ = self._registry.states[1]  # compiled once, as a daemon has it
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
        for chunk in islice(self._chunks(), most_chunks):
            derived = derive(chunk, self._codecs, self._registry)
            insert(target, READING, provenances.numbered(derived))
            deliveries += chunk.num_rows
            readings += derived.readings.num_rows
        return deliveries, readings

    def _chunks(self) -> Iterator[pa.Table]:
        if self._reading == "pass":
            yield from self._in_one_pass()
            return
        for probes in chunks(delivery_counts(self._source, self._probes), CHUNK):
            yield deliveries_of(self._source, probes)

    def _in_one_pass(self) -> Iterator[pa.Table]:
        span = [self._probes[0], self._probes[-1]]
        rows = self._source.con.sql("FROM uplink WHERE probe_id BETWEEN ? AND ? ORDER BY probe_id", params=span)
        left = None
        for batch in rows.to_arrow_reader(CHUNK):
            block = pa.Table.from_batches([batch])
            block = block if left is None else pa.concat_tables([left, block])
            number = ints(whole(block, "probe_id"))
            # The last probe may go on in the next batch.
            cut = int(np.searchsorted(number, number[-1]))
            left = block.slice(cut)
            if cut:
                yield block.slice(0, cut)
        if left is not None:
            yield left


def run(source: Path, target: Path, reading: Reading, only: tuple[int, int] | None) -> Done:
    """Replay once, after a chunk to warm up, and tell of it."""
    for old in target.parent.glob(f"{target.name}*"):
        old.unlink()
    start = time.perf_counter()
    with Store.open(source, writable=False) as store, Store.open(target, create=True) as fresh:
        replay = ReplayRun(store, reading=reading, only=only)
        opened_s = time.perf_counter() - start
        replay.into(fresh, 1)
        begun = time.perf_counter()
        deliveries, readings = replay.into(fresh)
        took_s = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return Done(deliveries, readings, took_s, opened_s, peak)


def run_apart(source: Path, target: Path, parts: list[tuple[int, int]]) -> list[Done]:
    """Replay parts of the probes at the same time, each in a process and on a core of its own."""
    with ExitStack() as stack:
        processes = []
        for number, (low, high) in enumerate(parts):
            command = [sys.executable, "-m", "tests.bench.replay_run", source, f"{target}.{number}"]
            command += ["--only", str(low), str(high), "--core", str(number)]
            process = subprocess.Popen([str(word) for word in command], stdout=subprocess.PIPE)
            processes.append(stack.enter_context(process))
        return [Done(**json.loads(process.communicate()[0])) for process in processes]


def main() -> None:
    """Replay once, print what came of it."""
    arguments = argparse.ArgumentParser(prog="python -m tests.bench.replay_run", description=__doc__.splitlines()[0])
    arguments.add_argument("source", type=Path)
    arguments.add_argument("target", type=Path)
    arguments.add_argument("reading", choices=("chunks", "pass"), nargs="?", default="chunks")
    arguments.add_argument("--only", type=int, nargs=2, help="least and greatest probe id")
    arguments.add_argument("--core", type=int, help="the core to run on")
    given = arguments.parse_args()
    if given.core is not None and hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {given.core})
    only = None if given.only is None else (given.only[0], given.only[1])
    done = run(given.source, given.target, given.reading, only)
    sys.stdout.write(json.dumps(asdict(done)))


if __name__ == "__main__":
    main()
