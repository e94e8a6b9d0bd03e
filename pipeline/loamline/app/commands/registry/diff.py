"""`loamline registry diff`: what changed from one registry state to another, row by row and field by field."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.opening import open_store
from loamline.app.output import console, print_json
from loamline.app.registry_states import StateArgument, find_state, state_as_object
from loamline.app.registry_text import changes_tables
from loamline.core.registry_rows import differences
from loamline.edges.store.registry import load_state


def diff_command(
    before: StateArgument,
    after: StateArgument,
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    as_json: Annotated[bool, typer.Option("--json", help="print one object with a list of changes")] = False,
) -> None:
    """Tell what was added, ended and changed from one registry state to another.

    A row is the same row where what names it is the same, for instance a placement's dev_eui, depth_index and
    valid_from. State 0 is before anything was loaded.
    """
    with open_store(store) as opened:
        states = find_state(opened, before), find_state(opened, after)
        old, new = (load_state(opened, state.reference_id) for state in states)
    changes = differences(old, new)
    if as_json:
        print_json(
            {
                "before": state_as_object(states[0]),
                "after": state_as_object(states[1]),
                "changes": [
                    {
                        "table": change.table,
                        "change": change.change,
                        "key": change.key,
                        "fields": {name: {"before": was, "after": now} for name, (was, now) in change.fields.items()},
                    }
                    for change in changes
                ],
            }
        )
        return
    for table in changes_tables(changes):
        console.print(table)
    numbers = f"registry state {states[0].reference_id} to {states[1].reference_id}"
    counts = Counter(change.change for change in changes)
    told = ", ".join(f"{counts[kind]} {kind}" for kind in ("added", "ended", "changed") if counts[kind])
    console.print(f"{numbers}: {told or 'nothing changed'}")
