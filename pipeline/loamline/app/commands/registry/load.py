"""`loamline registry load`: a folder of sites, probes, placements, curves, limits, soils and crops into the store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from loamline.app.opening import daemon_of, open_store
from loamline.app.output import CommandError, console, errors, print_json
from loamline.app.requests import registry_as_json
from loamline.core.reference import RegistryState
from loamline.edges.control import ControlError
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.registry import Change, latest_reference, save_state


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
    ones use the new registry. A daemon may have the store open: it is handed the registry, and uses it from then on.
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
    number, changed, changes = _load(store, state, f"loaded from {folder.name}")
    if as_json:
        print_json(
            {
                "loaded": True,
                "reference_id": number,
                "changed": changed,
                "tables": {change.table: {k: v for k, v in vars(change).items() if k != "table"} for change in changes},
            }
        )
        return
    if not changed:
        console.print(f"nothing changed: registry state {number} stays in force")
        return
    table = Table("table", "new", "ended", "unchanged", title=f"registry state {number}")
    for change in changes:
        table.add_row(change.table, str(change.added), str(change.ended), str(change.unchanged))
    console.print(table)


def _load(path: Path, state: RegistryState, note: str) -> tuple[int, bool, list[Change]]:
    """Have the daemon that has the store open record the registry, or do it; return state, whether new, and changes."""
    client = daemon_of(path)
    if client is None:
        with open_store(path, create=True) as store:
            before = latest_reference(store)
            number, changes = save_state(store, state, note)
            return number, number != before, changes
    with client:
        try:
            told = client.answer("registry_load", state=registry_as_json(state), note=note)
        except ControlError as problem:
            raise CommandError(str(problem)) from problem
    return told["reference_id"], told["changed"], [Change(**change) for change in told["changes"]]
