"""`loamline archive check`: do the archived files hold what was put into them?"""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.commands.archive.opened import StoreOption, opened
from loamline.app.output import console, print_json
from loamline.app.replay_work import telling
from loamline.edges.store.archive import faults


def check_command(
    store: StoreOption,
    as_json: Annotated[bool, typer.Option("--json", help="print files, rows and faults")] = False,
) -> None:
    """Read every archived file and compare its SHA-256, its rows and their digest with the record; 1 on any fault.

    A file that is missing or damaged has to come back from a copy, under the same name.
    """
    with opened(store, writable=False) as raw, telling() as told:
        found = faults(raw, told)
        files, rows = len(raw.archived), sum(file.rows for file in raw.archived)
    if as_json:
        print_json({"files": files, "rows": rows, "faults": found})
    else:
        for fault in found:
            console.print(f"{fault}: put it back from a copy", markup=False, soft_wrap=True)
        console.print(f"{files} files, {rows} uplinks: {len(found) or 'no'} faults")
    if found:
        raise typer.Exit(1)
