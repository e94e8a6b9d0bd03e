"""`loamline ship`: seal closed months of the raw log into segments that other machines can derive."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json
from loamline.app.steps import driven
from loamline.edges.ship.depot import Depot, DepotError
from loamline.edges.ship.shipping import shipping
from loamline.edges.store.archive_files import ArchiveError, bounds

#: Months that ended longer ago are shipped where nothing else is said: by then backfill and late imports are rare.
_USUAL_AGE = timedelta(days=35)


def ship(
    store: Annotated[Path, typer.Option(metavar="FILE", help="the DuckDB file")],
    out: Annotated[str, typer.Option("--out", metavar="PATH", help="a folder, or an object store's path (fsspec)")],
    before: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM", help="months before this one; without it, those that ended over 35 days ago"),
    ] = None,
    buckets: Annotated[
        int, typer.Option(min=1, max=4096, help="parts of the fleet, for good: each is a task of a derivation")
    ] = 64,
    as_json: Annotated[bool, typer.Option("--json", help="print segments, rows, size_bytes and months")] = False,
) -> None:
    """Seal closed months (UTC) of the raw log into Parquet segments by month and bucket, with the registry beside them.

    A row goes into one segment, ever; what comes late for a month goes into a further one. Every segment is read again
    and compared before the manifest tells of it. Nothing leaves the store.

    Example: loamline ship --store soil.duckdb --out /srv/segments
    """
    try:
        until = datetime.now(UTC) - _USUAL_AGE if before is None else bounds(before)[0]
        with open_store(store) as opened:
            told = driven(shipping(opened, Depot(out), until, buckets))
    except (ArchiveError, DepotError) as problem:
        raise CommandError(str(problem)) from problem
    if as_json:
        print_json({"segments": told.segments, "rows": told.rows, "size_bytes": told.size_bytes, "months": told.months})
    elif told.segments:
        months = ", ".join(told.months)
        console.print(f"{told.rows} uplinks of {months} in {told.segments} segments, {told.size_bytes} bytes")
    else:
        console.print("nothing new in a closed month: nothing was shipped")
