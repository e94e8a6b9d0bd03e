"""`loamline archive restore`: put archived months back into the store."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.archive_work import done_by, restored
from loamline.app.commands.archive.opened import StoreOption
from loamline.app.output import console, print_json


def restore_command(
    store: StoreOption,
    month: Annotated[str | None, typer.Argument(metavar="[MONTH]", help="YYYY-MM; all archived months else")] = None,
    delete: Annotated[bool, typer.Option("--delete", help="delete the files afterwards; else they stay")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="print the months that were put back, and rows")] = False,
) -> None:
    """Put archived months back into the store: files are checked before anything of a month is restored.

    Interrupted or killed, every uplink stands in the store or in a file; the same command goes on.
    """
    done = done_by(
        store,
        "archive_restore",
        lambda opened: restored(opened, month, delete=delete),
        writable=True,
        month=month,
        delete=delete,
    )
    if as_json:
        print_json(done)
        return
    for each in done["months"]:
        console.print(f"{each['month']}: {each['rows']} uplinks are back in the store")
    if not done["months"]:
        console.print("no month is archived: nothing was restored")
