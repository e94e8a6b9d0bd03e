"""`loamline curve ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.curve.add import add_command
from loamline.app.commands.curve.compare import compare_command
from loamline.app.commands.curve.fit import fit_command
from loamline.app.commands.curve.list_ import list_command
from loamline.app.commands.curve.show import show_command

app = typer.Typer(help="Calibration curves: listed, shown, added, compared, fitted.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "add": (
        add_command,
        (
            "loamline curve add --dir ./registry --id bed-a --kind malicki1996 --bulk-density 1.35 --for loam "
            "--valid-from 2026-05-01"
        ),
    ),
    "compare": (compare_command, "loamline curve compare topp1980 bed-a --dir ./registry --out bed-a.png"),
    "fit": (
        fit_command,
        (
            "loamline curve fit bed-a.csv --id bed-a --for loam --valid-from 2026-05-01 --out bed-a.png "
            "--append-to ./registry"
        ),
    ),
    "list": (list_command, "loamline curve list --dir ./registry"),
    "show": (show_command, "loamline curve show bed-a --store soil.duckdb"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
