"""`loamline registry history`: every version of a row, when it was true and when we were told."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json
from loamline.app.registry_text import versions_tables
from loamline.edges.store.names import UnknownNameError
from loamline.edges.store.registry_history import versions


def history_command(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    name: Annotated[
        str | None,
        typer.Argument(metavar="[DEV_EUI|SITE|CURVE]", help="only rows of this probe, site or curve; else all"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a version")] = False,
) -> None:
    """Show every version of a row: what it said, for which time it is true, from when to when it stood so here.

    A probe may be named by its serial, too. Nothing is ever overwritten: a corrected row ends one version and begins
    another, and figures derived before keep the one that they were derived under.
    """
    with open_store(store) as opened:
        try:
            found = versions(opened, name)
        except UnknownNameError as problem:
            raise CommandError(str(problem)) from problem
    if as_json:
        print_json(
            [
                {
                    "table": version.row.table,
                    "key": {key: value for key, value in version.row.key.items() if key != "valid_from"},
                    "valid_from": version.row.key.get("valid_from"),
                    "valid_to": version.row.says.get("valid_to"),
                    "says": {field: value for field, value in version.row.says.items() if field != "valid_to"},
                    "digest": version.digest,
                    "first_reference_id": version.first_reference_id,
                    "last_reference_id": version.last_reference_id,
                    "recorded_from": version.recorded_from,
                    "recorded_until": version.recorded_until,
                }
                for version in found
            ]
        )
        return
    for table in versions_tables(found):
        console.print(table)
    console.print(f"{len(found)} versions, {sum(version.recorded_until is None for version in found)} in force")
