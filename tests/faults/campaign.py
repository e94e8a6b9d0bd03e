"""What the commands of all campaigns have in common: their flags, progress on standard error, a summary as JSON."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.support.mosquitto import MISSING, mosquitto_program


def parser(module: str, description: str, example: str) -> argparse.ArgumentParser:
    """Return a parser with `--seed`; `example` are the flags of the long form."""
    command = f"python -m tests.faults.{module}"
    made = argparse.ArgumentParser(prog=command, description=description, epilog=f"Example: uv run {command} {example}")
    made.add_argument("--seed", type=int, default=1)
    return made


def tell(line: str) -> None:
    """Tell of progress."""
    sys.stderr.write(line + "\n")


def finish(run: Callable[[Path], Any], *, broker: bool = False) -> int:
    """Run a campaign in a folder of its own; print its summary; return 0 if it is `sound`, 1 if not, 2 if it can't run.

    `broker`: it needs mosquitto.
    """
    if broker and mosquitto_program() is None:
        tell(MISSING)
        return 2
    since = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        summary = run(Path(folder))
    told = {**asdict(summary), "sound": summary.sound, "took_s": round(time.monotonic() - since, 1)}
    sys.stdout.write(json.dumps(told, indent=2) + "\n")
    return 0 if summary.sound else 1
