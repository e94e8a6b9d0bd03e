"""`loamline init`: a folder to begin with, which works as it is against a broker on this machine."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.example_folder import TOPIC, example_files
from loamline.app.output import CommandError, console

_SECRETS = "secrets"


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where it goes; made where there is none.")],
) -> None:
    """Write commented settings, a small invented registry, an example map and a place for secrets into DIR.

    Nothing is overwritten: where one of the files is there already, none is written.

    Example: loamline init soil && loamline ingest --config soil/loamline.toml
    """
    files = example_files(datetime.now(UTC))
    there = [name for name in files if (folder / name).exists() or (folder / name).is_symlink()]
    if there:
        raise CommandError(
            f"expected none of its files in {folder}, got {', '.join(there)}; nothing was written: name another folder"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / _SECRETS).mkdir(mode=0o700, exist_ok=True)
        for name, text in files.items():
            (folder / name).parent.mkdir(exist_ok=True)
            with (folder / name).open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
    except OSError as problem:
        raise CommandError(f"expected to write into {folder}, got {problem.strerror}: {problem.filename}") from None
    for name in files:
        console.print(f"wrote {folder / name}", markup=False, soft_wrap=True)
    config = folder / "loamline.toml"
    console.print("\nWith an MQTT broker on this machine, port 1883, try next:\n")
    for line in (
        f"  loamline doctor --config {config}",
        f"  loamline ingest --config {config}",
        f"  mosquitto_pub -q 1 -t {TOPIC.replace('#', 'example')} -f {folder / 'example-uplink.json'}",
        "  (or publish it by any other MQTT client)",
        f"  loamline status --config {config}",
        f"  loamline fleet --problems --store {folder / 'loamline.duckdb'}",
        f"  loamline fleet --store {folder / 'loamline.duckdb'}     (once the daemon has left)",
    ):
        console.print(line, markup=False, soft_wrap=True)
