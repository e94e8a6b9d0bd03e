"""`loamline derive`: make readings of shipped segments, on this machine or on many."""

from __future__ import annotations

import hashlib
from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption, codec_dirs, known_codecs
from loamline.app.engines import EngineOption, SchedulerOption, WorkersOption
from loamline.app.output import CommandError, console, print_json
from loamline.app.steps import driven
from loamline.edges.ship.depot import Depot, DepotError
from loamline.edges.ship.deriving import deriving
from loamline.edges.ship.engines import EngineError, engine_of


def derive(
    segments: Annotated[str, typer.Argument(metavar="PATH", help="where `loamline ship` put them")],
    out: Annotated[str, typer.Option("--out", metavar="PATH", help="where the readings go; must hold none")],
    engine: EngineOption = "local",
    workers: WorkersOption = 1,
    scheduler: SchedulerOption = None,
    codec_dir: CodecDirOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print buckets, readings and the digest of all")] = False,
) -> None:
    """Derive every shipped segment, a bucket a task: Parquet files of readings, and a manifest that is written last.

    The chain is the one of the daemon and of a replay. A worker that dies, or a task that runs twice, changes nothing:
    the digest is that of a run in one process.

    Example: loamline derive /srv/segments --out /srv/readings --engine dask --workers 4
    """
    known_codecs(codec_dir)  # whatever is wrong with one is told here, not by a worker
    try:
        with engine_of(engine, workers=workers, scheduler=scheduler) as doing:
            made = driven(deriving(Depot(segments), out, doing, codec_dirs(codec_dir)))
    except (DepotError, EngineError) as problem:
        raise CommandError(str(problem)) from problem
    digest = hashlib.sha256("".join(f"{one.bucket}:{one.digest};" for one in made).encode()).hexdigest()
    readings = sum(one.rows for one in made)
    if as_json:
        print_json({"buckets": len(made), "readings": readings, "digest": digest})
    else:
        console.print(f"{readings} readings in {len(made)} buckets at {out}; digest {digest[:16]}", soft_wrap=True)
