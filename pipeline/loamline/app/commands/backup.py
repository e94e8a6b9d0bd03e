"""`loamline backup`: the whole store in one file, as of one instant, also while the daemon runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.backup_work import back_up
from loamline.app.output import console, errors, print_json


def backup(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="where the backup goes; must not be there")],
    as_json: Annotated[bool, typer.Option("--json", help="print what the backup holds as one JSON object")] = False,
) -> None:
    """Write the store as it stands now to one file, and read it back from disk before it gets its name.

    The daemon may run: it writes the backup itself, beside its commits, and every uplink that it has acknowledged
    before is in it. Rows and digest of every table are compared with the store's. FILE.manifest.json stands beside
    FILE and tells what it holds; keep both. Months that were archived to Parquet are not in it: the manifest names
    their files, which never change, so that any copying of files will do. A plain copy of a store that is open
    can't be relied on.

    Example: loamline backup --store soil.duckdb --out backups/soil-monday.duckdb
    """
    done = back_up(store, out)
    if done["archived_absent"]:
        errors.print(done["archived_absent"], style="yellow", markup=False, soft_wrap=True)
    if as_json:
        print_json(done)
        return
    rows = done["rows"]
    console.print(
        f"{out}: {rows['uplink']} uplinks up to sequence number {done['last_seq']}, {rows['reading']} readings, "
        f"{done['size_bytes']} bytes; read back and equal to the store",
        markup=False,
        soft_wrap=True,
    )
    if done["archived"]:
        size = sum(file["size_bytes"] for file in done["archived"])
        told_files = f"{len(done['archived'])} archived files ({size} bytes) belong to it: copy them, too"
        console.print(f"{told_files}; {out}.manifest.json names them", markup=False, soft_wrap=True)
