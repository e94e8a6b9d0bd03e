"""`loamline registry load`: a folder of sites, probes, placements, curves, limits, soils and crops into the store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from loamline.app.opening import open_store
from loamline.app.output import console, errors, print_json
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.registry import latest_reference, save_state


def load_command(
    folder: Annotated[
        Path,
        typer.Argument(
            help="folder with sites.csv, probes.csv, placements.csv, curves.toml, limits.toml; soils.csv, crops.csv",
            metavar="DIR",
        ),
    ],
    store: Annotated[Path, typer.Option(help="the DuckDB file; made where there is none")],
    as_json: Annotated[bool, typer.Option("--json", help="print changes or faults as JSON")] = False,
) -> None:
    """Check a registry folder as a whole, then record it as the registry from now on.

    soils.csv and crops.csv may be absent. Every fault is told at once, with file, line, column, expected and got; with
    one fault nothing is loaded. Loading the same folder again changes nothing. Stored uplinks keep their figures; new
    ones use the new registry.
    """
    state, faults = read_registry(folder)
    if state is None:
        if as_json:
            print_json({"loaded": False, "faults": [vars(fault) for fault in faults]})
        else:
            for fault in faults:
                errors.print(str(fault), style="red", markup=False, soft_wrap=True)
            errors.print(f"{len(faults)} faults; nothing was loaded", style="red")
        raise typer.Exit(1)
    with open_store(store, create=True) as opened:
        before = latest_reference(opened)
        number, changes = save_state(opened, state, f"loaded from {folder.name}")
    if as_json:
        print_json(
            {
                "loaded": True,
                "reference_id": number,
                "changed": number != before,
                "tables": {change.table: {k: v for k, v in vars(change).items() if k != "table"} for change in changes},
            }
        )
        return
    if number == before:
        console.print(f"nothing changed: registry state {number} stays in force")
        return
    table = Table("table", "new", "ended", "unchanged", title=f"registry state {number}")
    for change in changes:
        table.add_row(change.table, str(change.added), str(change.ended), str(change.unchanged))
    console.print(table)
