"""`loamline archive list`: which months stand in files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from loamline.app.commands.archive.opened import StoreOption, opened
from loamline.app.output import console, print_json, rfc3339
from loamline.edges.store.archived import ArchivedFile


def list_command(
    store: StoreOption,
    as_json: Annotated[bool, typer.Option("--json", help="print one object a month, with its files")] = False,
) -> None:
    """List the archived months: when each was moved, how many uplinks, and where its files are."""
    with opened(store, writable=False) as raw:
        files = raw.archived
    months = [_month(month, [file for file in files if file.month == month]) for month in _ascending(files)]
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
        table.add_row(month["month"], *count, rfc3339(month["archived_at"]), folders)
    console.print(table)


def _ascending(files: tuple[ArchivedFile, ...]) -> list[str]:
    return sorted({file.month for file in files})


def _month(month: str, files: list[ArchivedFile]) -> dict[str, Any]:
    return {
        "month": month,
        "rows": sum(file.rows for file in files),
        "size_bytes": sum(file.size_bytes for file in files),
        "archived_at": max(file.archived_at for file in files),
        "files": [
            {"path": str(file.file), "rows": file.rows, "size_bytes": file.size_bytes, "sha256": file.sha256}
            for file in files
        ],
    }
