"""`loamline archive ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.archive.check import check_command
from loamline.app.commands.archive.list_ import list_command
from loamline.app.commands.archive.restore import restore_command
from loamline.app.commands.archive.run import run_command

app = typer.Typer(help="Closed months of the raw log as Parquet files, read as if still in it.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "check": (check_command, "loamline archive check --store soil.duckdb"),
    "list": (list_command, "loamline archive list --store soil.duckdb --json"),
    "restore": (restore_command, "loamline archive restore 2026-03 --store soil.duckdb --delete"),
    "run": (run_command, "loamline archive run --store soil.duckdb --dir raw-log --before 2026-04"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
