"""`loamline mirror`: readings, placements and sites in Parquet files, for tools of one's own."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import duckdb
import typer

from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json, progress_bar
from loamline.edges.mirror import MirrorError, Step, mirror_steps
from loamline.edges.store.connection import Store


def mirror(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    out: Annotated[Path, typer.Option(help="the mirror's folder, made where there is none")],
    as_json: Annotated[bool, typer.Option("--json", help="print what was done as one JSON object")] = False,
) -> None:
    """Keep a copy of the readings in Parquet, for DuckDB, pandas, polars or Spark.

    OUT/readings holds a folder a UTC month (month=2026-05), OUT/placements, OUT/sites and OUT/probes what the registry
    says now; units stand in each column's metadata. A second run writes only the files whose rows have changed. Each
    file is replaced whole, so that readers are never disturbed; OUT/manifest.json says `complete` after a whole run.

    The store must be at rest: while the daemon has it open, stop it or read from its API.

    Example: loamline mirror --store soil.duckdb --out /srv/soil-mirror
    """
    with open_store(store) as opened:
        steps = _run(opened, out)
    counts = {
        outcome: sum(step.outcome == outcome for step in steps) for outcome in ("written", "unchanged", "removed")
    }
    rows = sum(step.rows for step in steps if step.path.startswith("readings/") and step.outcome != "removed")
    if as_json:
        print_json({"readings": rows, "files": counts, "out": str(out)})
    else:
        told = ", ".join(f"{count} {outcome}" for outcome, count in counts.items())
        console.print(f"{rows} readings in {out}; files: {told}", markup=False, soft_wrap=True)


def _run(store: Store, out: Path) -> list[Step]:
    found: list[Step] = []
    try:
        with progress_bar() as progress:
            task = progress.add_task("files", total=1.0)
            for step in mirror_steps(store, out, datetime.now(UTC)):
                found.append(step)
                progress.update(task, completed=step.share)
    except MirrorError as problem:
        raise CommandError(str(problem)) from problem
    except OSError as problem:
        raise CommandError(
            f"expected to write the mirror {out}, got: {problem}; mend the cause and run it again to go on"
        ) from problem
    except duckdb.Error as problem:
        raise CommandError(f"expected to read {store.path}, got: {str(problem).splitlines()[0]}") from problem
    return found
