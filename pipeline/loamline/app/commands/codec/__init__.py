"""`loamline codec ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.codec.dissect import dissect_command
from loamline.app.commands.codec.list_ import list_command

app = typer.Typer(help="Payload versions: what is known, and what a payload says.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "dissect": (dissect_command, 'loamline codec dissect --port 10 "01 07 3A 05 DC A0 25 00 2A"'),
    "list": (list_command, "loamline codec list --json"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
