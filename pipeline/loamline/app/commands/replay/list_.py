"""`loamline replay list`: every revision of a store."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.output import console, print_json
from loamline.app.replay_scope import StoreOption
from loamline.app.replay_text import revision_fields, revisions_table
from loamline.app.replay_work import at_work


def list_command(
    store: StoreOption,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a revision")] = False,
) -> None:
    """List the revisions, the oldest first: how far each is, what it changed, when, by whom, why, of what."""
    with at_work(store) as work:
        rows = [revision_fields(row) for row in work.revisions()]
    if as_json:
        print_json(rows)
    elif rows:
        console.print(revisions_table(rows))
    else:
        console.print("no revision was ever asked for")
