"""`loamline radio ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.radio.airtime import airtime_command
from loamline.app.commands.radio.draw import draw_command
from loamline.app.commands.radio.report import report_command

app = typer.Typer(help="The radio link: time on air, delivery, margin, and who hears whom.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "airtime": (airtime_command, "loamline radio airtime --sf 9 --bandwidth 125000 --coding-rate 4/5 --bytes 13"),
    "draw": (draw_command, 'loamline radio draw --store soil.duckdb --site "North field" --out radio.svg'),
    "report": (report_command, "loamline radio report --store soil.duckdb --since 2026-05-01 --json"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
