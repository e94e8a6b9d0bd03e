"""`loamline schema`: the published JSON Schemas."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.output import CommandError, console, print_json
from loamline_schemas.json_schemas import PUBLISHED, json_schema


def schema(
    name: Annotated[str | None, typer.Argument(help="which; all names are listed without it")] = None,
) -> None:
    """Print a JSON Schema (draft 2020-12) of what crosses an edge as text.

    Example: loamline schema uplink
    """
    if name is None:
        for known in PUBLISHED:
            console.print(known)
        return
    if name not in PUBLISHED:
        raise CommandError(f"expected one of {', '.join(PUBLISHED)}, got {name!r}")
    print_json(json_schema(name))
