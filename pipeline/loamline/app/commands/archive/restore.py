"""`loamline archive restore`: put archived months back into the store."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.commands.archive.opened import StoreOption, opened, totals
from loamline.app.output import console, print_json
from loamline.app.replay_work import telling
from loamline.edges.store.archive import restore


def restore_command(
    store: StoreOption,
    month: Annotated[str | None, typer.Argument(metavar="[MONTH]", help="YYYY-MM; all archived months else")] = None,
    delete: Annotated[bool, typer.Option("--delete", help="delete the files afterwards; else they stay")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="print the months that were put back, and rows")] = False,
) -> None:
    """Put archived months back into the store, each whole or not at all: files are checked before, rows after."""
    with opened(store, writable=True) as raw, telling() as told:
        moved = list(restore(raw, month, delete=delete, told=told))
    if as_json:
        print_json(totals(moved))
        return
    for each in moved:
        console.print(f"{each.month}: {each.rows} uplinks are back in the store")
    if not moved:
        console.print("no month is archived: nothing was restored")
