"""`loamline archive run`: move closed months of the raw log to Parquet."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.archive_work import done_by, running
from loamline.app.commands.archive.opened import StoreOption
from loamline.app.output import console, print_json


def run_command(
    store: StoreOption,
    folder: Annotated[
        Path,
        typer.Option("--dir", metavar="DIR", help="where the files go; one folder for each store, made if missing"),
    ],
    before: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM", help="months before this one; without it, those that ended over 35 days ago"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the months that were moved, and rows")] = False,
) -> None:
    """Move closed months (UTC) of the raw log out of the store into Parquet files, which are read as if still in it.

    Each month is written, read again and compared row by row before anything of it is deleted. Interrupted or killed,
    every uplink stands in the store or in a file; the same command goes on. The files belong to the store from then
    on: back them up with it, and leave them where they are. manifest.json in DIR tells of each.
    """
    done = done_by(
        store,
        "archive_run",
        lambda opened: running(opened, folder, before, datetime.now(UTC)),
        writable=True,
        folder=folder.absolute(),
        before=before,
    )
    if as_json:
        print_json(done)
        return
    for month in done["months"]:
        told = f"{month['month']}: {month['rows']} uplinks in {month['files']} files, {month['size_bytes']} bytes"
        console.print(told)
    if not done["months"]:
        console.print("no month in the store is old enough: nothing was moved")
