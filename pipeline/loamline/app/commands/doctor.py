"""`loamline doctor`: whether all that the daemon rests on is as it has to be, and what to do where it isn't."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from loamline.app.doctor import examine, exit_code
from loamline.app.output import console, print_json
from loamline.app.text import plain
from loamline.edges.finding import Finding

_STYLES = {"fine": "green", "unseen": "dim", "look": "yellow", "broken": "red"}


def doctor(
    config: Annotated[Path | None, typer.Option(help="TOML file of settings; the environment beats it")] = None,
    store: Annotated[Path | None, typer.Option(help="the DuckDB file, in place of the settings'")] = None,
    publish: Annotated[
        bool, typer.Option("--publish/--no-publish", help="send messages to the brokers, which have to come back")
    ] = True,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a finding")] = False,
) -> None:
    """Look at settings, files, daemon, store, disk, clock and brokers; say what to do about each.

    A broker is sent a message under each topic filter, which has to come back, and some thousand to a topic of our own
    (loamline/doctor/...) for a client that is away, which all have to be kept. A daemon takes none of them for an
    uplink; other subscribers of these topics get them, too. What can't be seen from outside says what to look at.

    Exit 0: fine as far as can be seen; 1: something to look at; 2: something is broken.

    Example: loamline doctor --config /etc/loamline/loamline.toml
    """
    found: list[Finding] = []
    for finding in examine(config, {"store": store}, publish=publish):
        found.append(finding)
        if not as_json:
            console.print(_line(finding), soft_wrap=True)
    if as_json:
        print_json([vars(finding) for finding in found])
    raise typer.Exit(exit_code(found))


def _line(finding: Finding) -> Text:
    line = Text(f"{finding.level:7}", style=_STYLES[finding.level]).append_text(
        plain(f"{finding.what}: {finding.finding}")
    )
    if finding.advice:
        line.append_text(plain(f"\n       -> {finding.advice}", "dim" if finding.level == "unseen" else ""))
    return line
