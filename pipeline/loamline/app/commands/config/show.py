"""`loamline config show`: the settings in force, each with the layer that it came from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import SecretStr
from rich.box import SIMPLE_HEAD
from rich.table import Table

from loamline.app.commands.config.told import FileArgument
from loamline.app.output import CommandError, console, print_json
from loamline.app.settings import look_at_settings
from loamline.app.settings_shape import flat
from loamline.app.text import plain

_HIDDEN = "(secret)"


def show_command(
    file: FileArgument = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print a list of objects, one a setting.")] = False,
) -> None:
    """Show every setting in force and which layer it came from: the file, the environment, or the default.

    What is secret is not shown, only that it was told. `loamline ingest` has flags beside these, which beat both.
    """
    told = look_at_settings(file)
    if told.settings is None:
        raise CommandError("\n".join(told.faults), 2)
    rows = [
        {"setting": name, "value": _shown(value), "told": told.teller(name).removeprefix("in ") or "default"}
        for name, _, value in flat(told.settings)
    ]
    if as_json:
        print_json(rows)
        return
    table = Table("setting", "value", "told by", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for row in rows:
        style = "dim" if row["told"] == "default" else ""
        table.add_row(*(plain(text, style) for text in (row["setting"], _in_words(row["value"]), row["told"])))
    console.print(table)


def _shown(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_shown(one) for one in value]
    if isinstance(value, SecretStr):
        return _HIDDEN
    return str(value) if isinstance(value, Path) else value


def _in_words(value: Any) -> str:
    if value is None:
        return "-"
    return ", ".join(map(_in_words, value)) if isinstance(value, list) else str(value)
