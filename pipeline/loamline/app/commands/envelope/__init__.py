"""`loamline envelope ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.envelope.suggest import suggest_command
from loamline.app.commands.envelope.try_ import try_command

app = typer.Typer(help="Envelope maps: how any server's JSON becomes uplinks, drafted and tried.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "suggest": (suggest_command, "loamline envelope suggest message.json --out maps/valley.toml"),
    "try": (try_command, "loamline envelope try maps/valley.toml message.json"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
