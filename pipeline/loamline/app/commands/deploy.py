"""`loamline deploy`: files for running the daemon as a service, filled in for this machine or image."""

from __future__ import annotations

import re
import shutil
import sys
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Annotated

import typer

from loamline.app.output import CommandError, errors, put_text
from loamline_schemas.settings import MetricsSettings

app = typer.Typer(help="Files for running the daemon as a service.", no_args_is_help=True)
OutOption = Annotated[Path | None, typer.Option(metavar="FILE", help="write it there; standard output else")]
_NAME = re.compile(r"[a-z_][a-z0-9_-]{0,30}")


@app.command("systemd")
def systemd(
    config: Annotated[Path, typer.Option(help="the daemon's settings")] = Path("/etc/loamline/loamline.toml"),
    user: Annotated[str, typer.Option(help="whom it runs as, without any right of root")] = "loamline",
    state: Annotated[str, typer.Option(metavar="NAME", help="/var/lib/NAME is all that it can write")] = "loamline",
    program: Annotated[Path | None, typer.Option(help="the loamline program; the one at hand else")] = None,
    out: OutOption = None,
) -> None:
    """Print a systemd unit: ready when messages are taken, restarted when the thread that stores hangs, hardened.

    Example: loamline deploy systemd --config /etc/loamline/loamline.toml --out loamline.service
    """
    for option, name in (("--user", user), ("--state", state)):
        if not _NAME.fullmatch(name):
            raise CommandError(f"{option}: expected a name of a-z, 0-9, _ and -, got {name!r}", 2)
    found = program or Path(shutil.which("loamline") or Path(sys.executable).with_name("loamline"))
    paths = {"loamline": found, "config": config.absolute()}
    for option, path in paths.items():
        if not path.is_absolute() or re.search(r"[\s%$\"'\\]", str(path)):
            raise CommandError(f"{option}: expected an absolute path without spaces, quotes, % or $, got {path}", 2)
    put_text(_filled("loamline.service", **paths, user=user, state=state), out, errors)


@app.command("container")
def container(
    python: Annotated[str, typer.Option(metavar="VERSION", help="of Python in the image")] = "3.13",
    out: OutOption = None,
) -> None:
    """Print a Containerfile: no root in it, the store on a volume, its health told to whoever runs it.

    Example: loamline deploy container --out Containerfile
    """
    port = MetricsSettings().port
    put_text(_filled("Containerfile", python=python, version=version("loamline"), metrics_port=port), out, errors)


def _filled(name: str, **values: object) -> str:
    return Template((files("loamline") / "deploy" / name).read_text(encoding="utf-8")).substitute(values)
