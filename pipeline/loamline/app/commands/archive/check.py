"""`loamline archive check`: do the archived files hold what was put into them?"""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.archive_work import checked, done_by
from loamline.app.commands.archive.opened import StoreOption
from loamline.app.output import console, print_json


def check_command(
    store: StoreOption,
    as_json: Annotated[bool, typer.Option("--json", help="print files, rows and faults")] = False,
) -> None:
    """Read every archived file and compare its SHA-256, its rows and their digest with the record; 1 on any fault.

    A file that is missing or damaged has to come back from a copy, under the same name.
    """
    done = done_by(store, "archive_check", checked, writable=False)
    if as_json:
        print_json(done)
    else:
        for fault in done["faults"]:
            console.print(f"{fault}: put it back from a copy", markup=False, soft_wrap=True)
        console.print(f"{done['files']} files, {done['rows']} uplinks: {len(done['faults']) or 'no'} faults")
    if done["faults"]:
        raise typer.Exit(1)
