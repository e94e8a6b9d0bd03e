"""`loamline replay show`: one revision."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.output import CommandError, console, print_json
from loamline.app.replay_scope import StoreOption
from loamline.app.replay_text import revision_fields, revision_lines
from loamline.app.replay_work import at_work


def show_command(
    store: StoreOption,
    revision: Annotated[
        int | None, typer.Argument(metavar="[REVISION]", help="its number; the latest one else")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the revision as one JSON object")] = False,
) -> None:
    """Show one revision: who asked for it when and why, of what, under which registry state, and how far it is."""
    with at_work(store) as work:
        rows = {row["revision_id"]: revision_fields(row) for row in work.revisions()}
    if not rows:
        raise CommandError(f"expected a revision in {store}, found none; `loamline replay apply` makes one")
    number = max(rows) if revision is None else revision
    if number not in rows:
        raise CommandError(f"expected a revision from {min(rows)} to {max(rows)}, got {number}")
    if as_json:
        print_json(rows[number])
    else:
        console.print(revision_lines(rows[number]))
