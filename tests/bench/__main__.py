"""Run the benchmarks: `uv run python -m tests.bench [--quick] [--json]`.

Each figure is a ratio measured in one run on one core: the machine's own speed cancels out.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.bench import decoding, replay_speed, replaying

#: Modules that measure something, in the order of the chain.
MODULES = (decoding, replay_speed, replaying)
_VERSIONS = ("construct", "duckdb", "numpy", "pyarrow")


def main() -> int:
    """Measure, print, and return 1 where a goal is missed."""
    arguments = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.splitlines()[0])
    arguments.add_argument("--quick", action="store_true", help="fewer rounds and smaller sizes, under two minutes")
    arguments.add_argument("--json", action="store_true", help="print JSON")
    given = arguments.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    figures = []
    progress = Console(stderr=True)
    for module in MODULES:
        for figure in module.figures(quick=given.quick):
            progress.print(f"{figure.name}: {figure.ratio:.2f}", style="dim")
            figures.append(figure)
    machine = {"processor": _processor(), "python": platform.python_version()}
    machine |= {name: version(name) for name in _VERSIONS}
    if given.json:
        told = [{**vars(figure), "reached": figure.reached} for figure in figures]
        sys.stdout.write(json.dumps({"machine": machine, "figures": told}, indent=2) + "\n")
    else:
        table = Table("figure", "goal", "measured", "verdict", "detail")
        for figure in figures:
            verdict = "reached" if figure.reached else "MISSED"
            table.add_row(figure.name, f"{figure.goal:g} x", f"{figure.ratio:.2f} x", verdict, figure.detail)
        Console(width=140).print(table, ", ".join(f"{name} {value}" for name, value in machine.items()))
    return 0 if all(figure.reached for figure in figures) else 1


def _processor() -> str:
    try:
        with Path("/proc/cpuinfo").open(encoding="utf-8") as lines:
            return next(line.partition(":")[2].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.machine()


if __name__ == "__main__":
    sys.exit(main())
