"""Who derives, as commands are told: the options, and what is said where an engine can't be had."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

from loamline.app.codecs import codec_dirs
from loamline.app.output import CommandError
from loamline.edges.ship.engines import Cluster, EngineError, engine_of
from loamline.edges.ship.process_replay import deriver_beside
from loamline.edges.store.replay import Deriver, derive_here

EngineOption = Annotated[
    Literal["local", "dask"], typer.Option("--engine", help="this machine's processes, or a Dask cluster")
]
WorkersOption = Annotated[
    int, typer.Option("--workers", min=1, max=1024, help="processes, where no --scheduler is told")
]
SchedulerOption = Annotated[
    str | None, typer.Option("--scheduler", metavar="ADDRESS", help="a Dask scheduler, such as tcp://10.0.0.5:8786")
]


@contextmanager
def deriver_of(engine: str, workers: int, scheduler: str | None, dirs: Sequence[Path] | None) -> Iterator[Deriver]:
    """Yield what runs the chain of a replay: this process, some beside it, or a cluster. Raises CommandError."""
    if engine == "local" and scheduler is None:
        yield derive_here if workers == 1 else deriver_beside(workers, codec_dirs(dirs))
        return
    from loamline.edges.ship.cluster_replay import deriver_on  # noqa: PLC0415 - with an optional extra

    try:
        with engine_of(engine, workers=workers, scheduler=scheduler) as found:
            yield deriver_on(found.client, codec_dirs(dirs)) if isinstance(found, Cluster) else derive_here
    except EngineError as problem:
        raise CommandError(str(problem), 2) from problem
