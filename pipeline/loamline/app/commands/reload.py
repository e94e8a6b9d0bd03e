"""`loamline reload`: the running daemon reads registry folder, maps, keys and codecs again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.opening import daemon_of
from loamline.app.output import CommandError, console, errors, print_json
from loamline.app.settings import load_settings
from loamline.edges.control import ControlError


def reload(
    config: Annotated[Path | None, typer.Option(help="TOML file of settings; the environment beats it")] = None,
    store: Annotated[Path | None, typer.Option(help="the daemon's DuckDB file, in place of the settings'")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print what became of it as JSON")] = False,
) -> None:
    """Have the running daemon take up what its settings' files hold now; no message is lost or waits for it.

    These are the registry folder, where the settings name one, envelope maps, keys and codecs. The next batch is read
    by the new ones. With one fault in any of them nothing is taken up and all stays as it was; every fault is told.
    Other settings, such as brokers and ports, take a new start. SIGHUP does the same.

    Example: loamline reload --config /etc/loamline/loamline.toml
    """
    path = load_settings(config, {"store": store}).store
    client = daemon_of(path)
    if client is None:
        raise CommandError(
            f"expected a daemon that has {path} open, found none; it reads everything at its start: `loamline ingest`"
        )
    with client:
        try:
            told = client.answer("reload")
        except ControlError as problem:
            raise CommandError(str(problem)) from problem
    if as_json:
        print_json(told)
    elif told["taken"]:
        changed = [word for word in ("codecs", "registry") if told[f"{word}_changed"]]
        words = f"{' and '.join(changed)} changed" if changed else "registry and codecs are the same"
        console.print(f"taken up: {words}; maps and keys were read again; registry state {told['reference_id']}")
    else:
        for fault in told["faults"]:
            errors.print(fault, style="red", markup=False, soft_wrap=True)
        errors.print("nothing was taken up; registry, maps, keys and codecs stay as they were", style="red")
    if not told["taken"]:
        raise typer.Exit(1)
