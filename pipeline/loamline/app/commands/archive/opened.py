"""The store as the verbs of `loamline archive` open it, and how they tell what can go wrong."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import duckdb
import typer

from loamline.app.output import CommandError
from loamline.edges.store.archive import ArchiveError, Moved
from loamline.edges.store.connection import Store, StoreError

StoreOption = Annotated[Path, typer.Option(help="the DuckDB file; whoever has it open, a daemon too, must be stopped")]


@contextmanager
def opened(path: Path, *, writable: bool) -> Iterator[Store]:
    """Yield the store at `path`, archived files in their place or not. Raises CommandError with a sentence."""
    try:
        with Store.open(path, writable=writable, whole=False) as store:
            yield store
    except (StoreError, ArchiveError) as problem:
        raise CommandError(str(problem)) from problem
    except (OSError, duckdb.Error) as problem:
        first = str(problem).splitlines()[0]
        raise CommandError(
            f"expected to read and write {path} and its archive, got {first}; each month stands whole in the store or "
            "in its files: mend the cause, the same command goes on"
        ) from problem


def totals(moved: list[Moved]) -> dict[str, Any]:
    """Return what was moved, for JSON: the months, and how many rows."""
    return {"months": [asdict(month) for month in moved], "rows": sum(month.rows for month in moved)}
