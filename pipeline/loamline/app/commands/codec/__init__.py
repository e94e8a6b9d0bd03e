"""`loamline codec ...`: one module here a verb."""

from __future__ import annotations

from collections.abc import Callable

import typer

from loamline.app.commands.codec.build import build_command
from loamline.app.commands.codec.check import check_command
from loamline.app.commands.codec.dissect import dissect_command
from loamline.app.commands.codec.layout import layout_command
from loamline.app.commands.codec.list_ import list_command
from loamline.app.commands.codec.new import new_command
from loamline.app.commands.codec.script import script_command

app = typer.Typer(help="Payload versions: what is known, and what a payload says.", no_args_is_help=True)
#: Verb -> the function that does it, and the example its help ends with.
VERBS: dict[str, tuple[Callable[..., None], str]] = {
    "build": (build_command, "loamline codec build measurement-v1 supply_v=3.6 moisture_count=1850"),
    "check": (check_command, "loamline codec check soil-stake-v1 --codec-dir ./codecs"),
    "dissect": (dissect_command, 'loamline codec dissect --port 10 "01 07 3A 05 DC A0 25 00 2A"'),
    "layout": (layout_command, "loamline codec layout measurement-v4 --svg --out measurement-v4.svg"),
    "list": (list_command, "loamline codec list --json"),
    "new": (new_command, "loamline codec new soil-stake --dir ./codecs"),
    "script": (script_command, "loamline codec script measurement-v3 --out measurement-v3.js"),
}
for _verb, (_function, _example) in VERBS.items():
    app.command(_verb, epilog=f"Example:\n\n{_example}")(_function)
