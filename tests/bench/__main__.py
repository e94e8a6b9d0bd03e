"""Run the benchmarks: `uv run python -m tests.bench [--quick] [--json]`.

Each figure is a ratio measured in one run on one core: the machine's own speed cancels out.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.table import Table

from loamline.edges.allocator import keep_freed_memory
from loamline.edges.without_pandas import without_pandas
from tests.bench import decoding, loading, reading_load, replay_speed, replaying
from tests.bench.drawing import draw

#: Modules that measure something, in the order of the chain.
MODULES = (decoding, replay_speed, replaying, loading, reading_load)
_VERSIONS = ("construct", "duckdb", "numpy", "pyarrow")


def main() -> int:
    """Measure, print, and return 1 where a goal is missed."""
    arguments = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.splitlines()[0])
    arguments.add_argument("--quick", action="store_true", help="fewer rounds and smaller sizes, about two minutes")
    arguments.add_argument("--json", action="store_true", help="print JSON, an object a figure")
    arguments.add_argument("--draw", metavar="FILE", type=Path, help="draw cost against size, as PNG or SVG")
    arguments.add_argument("--only", metavar="WORD", help="measure only modules whose name has this word in it")
    given = arguments.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    without_pandas()
    keep_freed_memory()
    figures = []
    progress = Console(stderr=True)
    for module in [module for module in MODULES if (given.only or "") in module.__name__]:
        for figure in module.figures(quick=given.quick):
            progress.print(f"{figure.name}: {figure.ratio:.2f}", style="dim")
            figures.append(figure)
    machine = {"processor": _processor(), "python": platform.python_version()}
    machine |= {name: version(name) for name in _VERSIONS}
    if given.json:
        told = [{**asdict(figure), "met": figure.met} for figure in figures]
        sys.stdout.write(json.dumps({"machine": machine, "figures": told}, indent=2) + "\n")
    else:
        table = Table("figure", "goal", "measured", "verdict", "detail")
        for figure in figures:
            verdict = "met" if figure.met else "MISSED"
            table.add_row(figure.name, f"{figure.goal:g}", f"{figure.ratio:.2f} {figure.unit}", verdict, figure.detail)
        Console(width=140).print(table, ", ".join(f"{name} {value}" for name, value in machine.items()))
    if given.draw is not None:
        draw([cost for figure in figures for cost in figure.costs], given.draw)
    return 0 if all(figure.met for figure in figures) else 1


def _processor() -> str:
    try:
        with Path("/proc/cpuinfo").open(encoding="utf-8") as lines:
            return next(line.partition(":")[2].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.machine()


if __name__ == "__main__":
    sys.exit(main())
