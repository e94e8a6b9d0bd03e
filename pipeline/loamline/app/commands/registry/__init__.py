"""`loamline registry ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.registry.add_probe import add_probe_command
from loamline.app.commands.registry.diff import diff_command
from loamline.app.commands.registry.history import history_command
from loamline.app.commands.registry.load import load_command
from loamline.app.commands.registry.show import show_command

app = typer.Typer(help="Sites, probes, placements, curves, limits, soils and crops.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "add-probe": (
        add_probe_command,
        (
            "loamline registry add-probe --qr LW:D0:02AA0000000000F0:02AA000000000041:AABB1122:SS-0041:CE3CF "
            "--dir ./registry --hardware P1 --made-on 2026-02-14"
        ),
    ),
    "diff": (diff_command, "loamline registry diff 3 4 --store soil.duckdb"),
    "history": (history_command, "loamline registry history 02AA000000000001 --store soil.duckdb"),
    "load": (load_command, "loamline registry load ./registry --store soil.duckdb"),
    "show": (show_command, "loamline registry show --store soil.duckdb --true-at 2026-06-01"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
