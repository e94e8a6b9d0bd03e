"""`loamline restore`: a store from a backup."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.backup_work import restore as restored
from loamline.app.output import console, errors, print_json


def restore(
    backup: Annotated[Path, typer.Argument(metavar="BACKUP", help="what `loamline backup` wrote; its manifest beside")],
    store: Annotated[Path, typer.Option(help="the DuckDB file to make; must not be there")],
    as_json: Annotated[bool, typer.Option("--json", help="print what the store holds as one JSON object")] = False,
) -> None:
    """Make a store of a backup; nothing is overwritten, and a backup that was damaged is refused.

    Bytes, rows and digests are compared with the manifest before, and the bytes of the copy after. What was heard since
    the backup is not in it: import it from wherever it was kept too (`loamline import`), duplicates are known.

    Example: loamline restore backups/soil-monday.duckdb --store soil.duckdb
    """
    done = restored(backup, store)
    for path in done["archived_absent"]:
        line = f"expected the archived file {path} beside {store}, found none: copy it there before the store is used"
        errors.print(line, style="yellow", markup=False, soft_wrap=True)
    if as_json:
        print_json(done)
        return
    rows = done["rows"]
    console.print(
        f"{store}: {rows['uplink']} uplinks up to sequence number {done['last_seq']}, {rows['reading']} readings, "
        f"as of {done['made_at']}",
        markup=False,
        soft_wrap=True,
    )
