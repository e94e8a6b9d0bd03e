"""Deriving shipped segments: a bucket is one task, which needs no other, and gives one file.

A task may run twice, at the same time or again after its worker died: it writes the same rows under the same name, and
what counts is the run's manifest, written once, when all buckets are there.
"""

from __future__ import annotations

import json
from collections.abc import Generator, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import pyarrow as pa

from loamline.core.derive import derive
from loamline.edges.ship.depot import MANIFEST, Depot, DepotError, row_digest
from loamline.edges.ship.engines import Engine
from loamline.edges.ship.registry import shipped_registry
from loamline.edges.store.provenances import with_content
from loamline_codecs import load_codecs
from loamline_schemas.tables import UPLINK


@dataclass(frozen=True)
class Task:
    """One bucket of one run, in plain words, so that any process can do it."""

    depot: str
    out: str
    registry: str
    bucket: int
    segments: tuple[tuple[str, str], ...]
    codec_dirs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Made:
    """What a task made: `digest` is of the readings, row by row, whatever file they stand in."""

    bucket: int
    path: str
    rows: int
    digest: str


def do_task(task: Task) -> Made:
    """Derive one bucket and write its readings. Raises DepotError."""
    depot = Depot(task.depot)
    parts = [depot.read_table(path, sha256).select(UPLINK.names).cast(UPLINK.schema) for path, sha256 in task.segments]
    deliveries = pa.concat_tables(parts) if parts else UPLINK.schema.empty_table()
    codecs = load_codecs(tuple(Path(folder) for folder in task.codec_dirs))
    readings = with_content(derive(deliveries, codecs, shipped_registry(task.depot, task.registry)))
    path = f"bucket={task.bucket:03d}.parquet"
    Depot(task.out).write_table(path, readings)
    return Made(task.bucket, path, readings.num_rows, row_digest(readings))


def deriving(
    depot: Depot, out: str, engine: Engine, codec_dirs: Sequence[Path] = ()
) -> Generator[tuple[str, int, int], None, list[Made]]:
    """Derive every segment of a depot into `out`, by whoever `engine` has do it; yield how far it is.

    Raises DepotError where nothing was shipped, or `out` holds another run's readings.
    """
    manifest = depot.manifest()
    if manifest is None:
        raise DepotError(f"expected segments at {depot.path}, found no {MANIFEST}; `loamline ship` writes them")
    target = Depot(out)
    if target.has(MANIFEST):
        raise DepotError(f"expected {out} to be free, found the readings of a run; name another folder, or remove it")
    tasks = [
        Task(
            depot=depot.path,
            out=out,
            registry=manifest.registry,
            bucket=bucket,
            segments=tuple((segment.path, segment.sha256) for segment in manifest.of_bucket(bucket)),
            codec_dirs=tuple(str(folder.absolute()) for folder in codec_dirs),
        )
        for bucket in sorted({segment.bucket for segment in manifest.segments})
    ]
    made: dict[int, Made] = {}
    yield "deriving", 0, len(tasks)
    for told in engine.each(partial(do_task), tasks):
        made[told.bucket] = told
        yield "deriving", len(made), len(tasks)
    buckets = [made[bucket] for bucket in sorted(made)]
    target.write(
        MANIFEST,
        json.dumps({"registry": manifest.registry, "buckets": [asdict(one) for one in buckets]}, indent=1).encode(),
    )
    return buckets
