"""`loamline archive list`: which months stand in files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from loamline.app.archive_work import done_by, listed
from loamline.app.commands.archive.opened import StoreOption
from loamline.app.output import console, print_json


def list_command(
    store: StoreOption,
    as_json: Annotated[bool, typer.Option("--json", help="print one object a month, with its files")] = False,
) -> None:
    """List the archived months: when each was moved, how many uplinks, and where its files are."""
    months = done_by(store, "archive_list", listed, writable=False)["months"]
    if as_json:
        print_json(months)
        return
    if not months:
        console.print("no month is archived")
        return
    table = Table("month", "uplinks", "files", "bytes", "archived at", "folder")
    for month in months:
        folders = ", ".join(sorted({str(Path(file["path"]).parents[2]) for file in month["files"]}))
        count = (str(month["rows"]), str(len(month["files"])), str(month["size_bytes"]))
        table.add_row(month["month"], *count, month["archived_at"], folders)
    console.print(table)
