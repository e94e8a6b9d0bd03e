"""Who does the tasks of a distributed derivation: this process, some beside it, or a Dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any, Protocol, TypeVar

Task = TypeVar("Task")
Done = TypeVar("Done")

#: How often a task is begun anew because its worker died, before that is the task's own fault.
RETRIES = 3


class EngineError(Exception):
    """An engine that can't be had; the message says what was expected, what came and what to do next."""


class Engine(Protocol):
    """Does tasks, in any order, each at least once."""

    def each(self, do: Callable[[Task], Done], tasks: Sequence[Task]) -> Iterator[Done]:
        """Yield what `do` makes of each task, as it is done. Raises what `do` raises."""


@dataclass(frozen=True)
class Local:
    """This process, or `workers` processes of this machine."""

    workers: int = 1

    def each(self, do: Callable[[Task], Done], tasks: Sequence[Task]) -> Iterator[Done]:
        """Yield what `do` makes of each task."""
        if self.workers <= 1:
            yield from map(do, tasks)
            return
        with ProcessPoolExecutor(self.workers, mp_context=get_context("spawn")) as pool:
            for future in as_completed([pool.submit(do, task) for task in tasks]):
                yield future.result()


@dataclass(frozen=True)
class Cluster:
    """A Dask cluster; `client` is connected to it."""

    client: Any

    def each(self, do: Callable[[Task], Done], tasks: Sequence[Task]) -> Iterator[Done]:
        """Yield what `do` makes of each task; one whose worker died is done again by another."""
        from distributed import as_completed as completed  # noqa: PLC0415 - an optional extra

        futures = self.client.map(do, tasks, pure=False, retries=RETRIES)
        for future in completed(futures):
            yield future.result()


@contextmanager
def engine_of(name: str, *, workers: int, scheduler: str | None) -> Iterator[Engine]:
    """Yield the engine `local` or `dask`, dask at the address `scheduler` or on this machine. Raises EngineError."""
    if name == "local":
        if scheduler is not None:
            raise EngineError("expected --scheduler only with --engine dask, got --engine local")
        yield Local(workers)
        return
    try:
        from distributed import Client, LocalCluster  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise EngineError(
            "expected the package distributed for --engine dask, found none: `pip install loamline[dask]` brings it"
        ) from None
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout="10s")
        except (OSError, TimeoutError, ValueError) as problem:
            raise EngineError(f"expected a Dask scheduler at {scheduler}, got {problem}") from problem
        with client:
            yield Cluster(client)
        return
    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        yield Cluster(client)
