"""`loamline config ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.config.check import check_command
from loamline.app.commands.config.show import show_command

app = typer.Typer(help="The daemon's settings: are they sound, and which are in force.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "check": (check_command, "loamline config check /etc/loamline/loamline.toml"),
    "show": (show_command, "loamline config show loamline.toml --json"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
