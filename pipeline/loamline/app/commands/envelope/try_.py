"""`loamline envelope try`: what a map makes of a message, field by field."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from loamline.app.commands.envelope.sample import sample_message
from loamline.app.output import CommandError, console, print_json, rfc3339
from loamline.app.text import plain
from loamline.edges.envelopes.map_file import MapError, read_map
from loamline.edges.envelopes.map_values import shown
from loamline.edges.envelopes.mapped import Finding, Reading, read_mapped
from loamline_schemas.uplink import Uplink


def try_command(
    declaration: Annotated[Path, typer.Argument(metavar="MAP", help="The map, a TOML file.")],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A message as JSON; of several lines, the first.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print fields and uplink as a list of objects.")] = False,
) -> None:
    """Show, field by field, which pointer finds what in a message and what it becomes; what is missing, and where.

    Nothing is stored. The exit code is 1 where the message holds something that is no uplink yet.
    """
    try:
        envelope_map = read_map(declaration)
    except MapError as problem:
        raise CommandError(str(problem), 2) from None
    message = sample_message(file)
    messages = message if isinstance(message, list) else [message]
    readings = [reading for one in messages for reading in read_mapped(envelope_map, one)]
    if as_json:
        print_json([_as_json(reading) for reading in readings])
    else:
        for number, reading in enumerate(readings, 1):
            _show(reading, f"uplink {number} of {len(readings)}" if len(readings) > 1 else None)
    if not readings:
        raise CommandError(f"expected a message in {file}, got an empty list")
    if any(reading.uplink is None for reading in readings):
        raise typer.Exit(1)


def canonical(uplink: Uplink) -> dict[str, Any]:
    """Return an uplink as canonical JSON tells it, what it has not left out."""
    return uplink.model_dump(mode="json", exclude_none=True)


def _as_json(reading: Reading) -> dict[str, Any]:
    return {
        "fields": [vars(found) for found in reading.findings],
        "uplink": None if reading.uplink is None else canonical(reading.uplink),
    }


def _show(reading: Reading, title: str | None) -> None:
    table = Table(header_style="bold", title=title)
    table.add_column("field", no_wrap=True)
    for name in ("pointer", "found", "becomes"):
        table.add_column(name, overflow="fold")
    for found in reading.findings:
        table.add_row(plain(found.field), plain(_pointer(found)), plain(_found(found)), plain(_becomes(found)))
    console.print(table)
    for problem in reading.problems:
        console.print(problem, style="yellow", markup=False, soft_wrap=True)
    if reading.uplink is None:
        wrong = len(reading.problems)
        console.print(f"no uplink yet: {wrong} thing{'s' if wrong > 1 else ''} to mend in the map, told above")
        return
    console.print("the canonical uplink:")
    print_json(canonical(reading.uplink))


def _pointer(found: Finding) -> str:
    if found.pointer is None:
        return "(constant)"
    return found.pointer or "(the whole)"


def _found(found: Finding) -> str:
    if found.pointer is None:
        return ""
    if found.missing:
        return f"nothing: {found.missing}"
    return shown(found.found)


def _becomes(found: Finding) -> str:
    if found.problem:
        return "see below"
    if found.becomes is None:
        return ""
    return rfc3339(found.becomes) if hasattr(found.becomes, "isoformat") else shown(found.becomes)
