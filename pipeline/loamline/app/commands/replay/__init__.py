"""`loamline replay ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.replay.apply import apply_command
from loamline.app.commands.replay.list_ import list_command
from loamline.app.commands.replay.plan import plan_command
from loamline.app.commands.replay.preview import preview_command
from loamline.app.commands.replay.show import show_command
from loamline.app.commands.replay.undo import undo_command

app = typer.Typer(help="Recompute history after a correction, see what changes, take it back.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "apply": (
        apply_command,
        'loamline replay apply --store soil.duckdb --reason "loam curve of the May laboratory run"',
    ),
    "list": (list_command, "loamline replay list --store soil.duckdb"),
    "plan": (plan_command, "loamline replay plan --store soil.duckdb --curve loam-laboratory"),
    "preview": (preview_command, "loamline replay preview --store soil.duckdb --draw drawings --out changes.parquet"),
    "show": (show_command, "loamline replay show 3 --store soil.duckdb"),
    "undo": (undo_command, "loamline replay undo 3 --store soil.duckdb"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
