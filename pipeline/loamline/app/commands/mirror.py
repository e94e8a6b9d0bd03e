"""`loamline mirror`: readings, placements and sites in Parquet files, for tools of one's own."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.archive_work import done_by
from loamline.app.mirroring import mirroring
from loamline.app.output import console, print_json
from loamline.edges.mirror import at_rest


def mirror(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    out: Annotated[Path, typer.Option(help="the mirror's folder, made where there is none")],
    as_json: Annotated[bool, typer.Option("--json", help="print what was done as one JSON object")] = False,
) -> None:
    """Keep a copy of the readings in Parquet, for DuckDB, pandas, polars or Spark.

    OUT/readings holds a folder a UTC month (month=2026-05), OUT/placements, OUT/sites and OUT/probes what the registry
    says now; units stand in each column's metadata. A second run writes only the files whose rows have changed. Each
    file is replaced whole, so that readers are never disturbed; OUT/manifest.json says `complete` after a whole run.

    Where a daemon has the store open, it does that work between two commits, and has to be allowed to write there. It
    keeps a mirror up to date by itself where its settings name one: [mirror] with folder and every_minutes.

    Example: loamline mirror --store soil.duckdb --out /srv/soil-mirror
    """
    told = done_by(
        store,
        "mirror",
        lambda opened: mirroring(at_rest(opened), out, datetime.now(UTC)),
        writable=False,
        folder=out.absolute(),
    )
    if as_json:
        print_json({"readings": told["readings"], "files": told["files"], "out": str(out)})
    else:
        counts = ", ".join(f"{count} {outcome}" for outcome, count in told["files"].items())
        console.print(f"{told['readings']} readings in {out}; files: {counts}", markup=False, soft_wrap=True)
