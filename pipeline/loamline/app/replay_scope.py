"""The options by which `loamline replay` is told what it is to be about."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.instants import check_span, instant
from loamline.app.replaying import Scope

StoreOption = Annotated[Path, typer.Option(help="the DuckDB file")]
ProbeOption = Annotated[
    list[str] | None,
    typer.Option("--probe", metavar="NAME", help="only this probe, by dev_eui or serial; may be given several times"),
]
SiteOption = Annotated[
    list[str] | None, typer.Option("--site", metavar="NAME", help="only this site; may be given several times")
]
CurveOption = Annotated[
    list[str] | None,
    typer.Option(
        "--curve", metavar="ID", help="only readings made by this curve, before or after; may be given several times"
    ),
]
SinceOption = Annotated[
    datetime | None, typer.Option(parser=instant, metavar="TIME", help="measured at or after this, UTC")
]
UntilOption = Annotated[datetime | None, typer.Option(parser=instant, metavar="TIME", help="measured before this, UTC")]


def scope_of(
    probe: list[str] | None,
    site: list[str] | None,
    curve: list[str] | None,
    since: datetime | None,
    until: datetime | None,
) -> Scope:
    """Return the scope that was told. Raises CommandError, exit code 2, where it holds no instant."""
    check_span(since, until)
    return Scope(tuple(probe or ()), tuple(site or ()), tuple(curve or ()), since, until)
