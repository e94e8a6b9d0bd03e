"""`loamline registry show`: what the registry holds, as we were told then, as it was true then."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from loamline.app.instants import instant
from loamline.app.opening import open_store
from loamline.app.output import console, print_json, rfc3339
from loamline.app.registry_states import find_state, state_as_object
from loamline.app.registry_text import day, rows_tables
from loamline.core.registry_rows import KEYS, rows, true_at
from loamline.edges.store.registry import load_state


def show_command(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    told: Annotated[
        str | None,
        typer.Option("--told-at", metavar="TIME|STATE", help="as we had been told by then; by default, by now"),
    ] = None,
    true: Annotated[
        datetime | None,
        typer.Option("--true-at", parser=instant, metavar="TIME", help="only what is true in the field then, UTC"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print one object, a list a kind of row")] = False,
) -> None:
    """Show the registry: sites, probes, placements, curves, limits, soil layers and crops.

    Two times tell two things. --told-at: what we had been told by then, however wrong it turned out later. --true-at:
    what was so in the field then. Without the latter, every row is shown with the time for which it is true.
    """
    with open_store(store) as opened:
        state = find_state(opened, told)
        held = load_state(opened, state.reference_id)
    found = rows(held if true is None else true_at(held, true))
    if as_json:
        listed: dict[str, list[dict[str, Any]]] = {table: [] for table in KEYS}
        for row in found:
            listed[row.table].append({**row.key, **row.says})
        print_json({**state_as_object(state), "true_at": true, "rows": listed})
        return
    for table in rows_tables(found):
        console.print(table)
    recorded = "" if state.reference_id == 0 else f", recorded {day(state.recorded_at)}"
    when = "" if true is None else f", as true at {rfc3339(true)}"
    console.print(
        f"registry state {state.reference_id}{recorded} ({state.note}){when}: {len(found)} rows",
        markup=False,
        soft_wrap=True,
    )
