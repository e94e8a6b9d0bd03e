"""Say how much the tests notice: put small changes into a copy of core and codecs, one at a time, and run what belongs.

Example: nice -n 15 uv run --group mutation python -m tests.mutation --seed 1 --sample 500
"""

from __future__ import annotations

import argparse
import difflib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from itertools import islice
from pathlib import Path
from typing import Any

from tests.mutation.mutants import Mutant, sampled
from tests.mutation.running import load_libraries, noticed, record

ROOT = Path(__file__).parents[2]
SOURCES = ("pipeline/loamline/core", "codecs/loamline_codecs")
#: The modules' own tests, and those of the commands that are their only users.
TESTS = (
    *("tests/core", "tests/codecs", "tests/published"),
    *(f"tests/app/test_{name}.py" for name in ("codec_layout", "codec_new", "curve", "explain", "profile")),
    *(f"tests/app/test_explain_{name}.py" for name in ("probe_checks", "soil", "wetting_and_silence")),
)


def main(given: list[str] | None = None) -> int:
    """Copy the project, go there, sample, run, and print the score of each package and the changes nobody noticed."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__.splitlines()[0])
    parser.epilog = __doc__.splitlines()[-1]
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the sample (1)")
    parser.add_argument("--sample", type=int, default=500, metavar="N", help="how many changes; more begin as fewer do")
    parser.add_argument("--only", default="", metavar="PATH", help="only modules whose path begins so")
    parser.add_argument("--folder", type=Path, help="a copy that was made before, with what was recorded there")
    parser.add_argument("--results", type=Path, help="write one line of JSON a change into this file")
    parser.add_argument("--again", type=Path, metavar="RESULTS", help="only changes that these results say survived")
    parser.add_argument(
        "--seconds", type=float, default=20, metavar="S", help="of tests for one change, quick first (20)"
    )
    told = parser.parse_args(given)
    folder = told.folder or Path(tempfile.mkdtemp(prefix="mutation-"))
    if Path.cwd() != folder.resolve():
        return _within(_copied(folder), told)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("ended"))  # so that a changed module is put back
    load_libraries()
    known = record(list(TESTS), Path(".mutation/known.json"))
    paths = [str(path) for source in SOURCES for path in Path(source).rglob("*.py")]
    possible = (one for one in sampled(Path(), paths, told.seed) if one.path.startswith(told.only))
    mutants = islice((one for one in possible if one.compiles(Path(one.path).read_text())), told.sample)
    if told.again:
        kept = {(one["path"], one["diff"]) for one in _read(told.again) if one["outcome"] in {"survived", "not run"}}
        mutants = (one for one in mutants if (one.path, _diff(one)) in kept)
    results = _read(told.results)  # a run that was ended goes on where it was
    done = {(one["path"], one["diff"]) for one in results}
    for mutant in mutants:
        if (mutant.path, diff := _diff(mutant)) in done:
            continue
        result = {"path": mutant.path, "outcome": noticed(mutant, known, told.seconds), "diff": diff}
        results.append(result)
        if told.results:
            with told.results.open("a") as file:
                file.write(json.dumps(result) + "\n")
        if result["outcome"] in {"survived", "not run"}:
            print(f"{result['outcome']}: {result['path']}\n{result['diff']}\n", flush=True)  # noqa: T201
    print(table(results))  # noqa: T201
    return 0


def _read(results: Path | None) -> list[dict[str, Any]]:
    """Return what a file of results holds; nothing where there is none."""
    return [json.loads(line) for line in results.read_text().splitlines()] if results and results.exists() else []


def _within(folder: Path, told: argparse.Namespace) -> int:
    """Run this again in the copy, whose own sources come before those that are installed."""
    again = [
        "--seed",
        str(told.seed),
        "--sample",
        str(told.sample),
        "--only",
        told.only,
        "--seconds",
        str(told.seconds),
        "--folder",
        str(folder),
    ]
    for name, path in (("--results", told.results), ("--again", told.again)):
        again += [name, str(path.resolve())] if path else []
    own = [str(folder / root) for root in ("pipeline", "codecs", "schemas")]
    roots = os.pathsep.join([*own, *filter(None, [os.environ.get("PYTHONPATH")])])
    command = [sys.executable, "-m", "tests.mutation", *again]
    return subprocess.run(command, cwd=folder, env={**os.environ, "PYTHONPATH": roots}, check=False).returncode


def _copied(folder: Path) -> Path:
    """Copy what git knows or would take into a folder, unless the copy is there; return it."""
    work = folder.resolve() / ".mutation"
    if work.exists():
        return folder.resolve()
    listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    for name in subprocess.run(listed, cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\0"):
        if name and (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)
    work.mkdir()
    return folder.resolve()


def _diff(mutant: Mutant) -> str:
    """Return the lines that a change takes out and puts in, as `diff` would."""
    source = Path(mutant.path).read_text()
    lines = difflib.unified_diff(source.splitlines(), mutant.made(source).splitlines(), lineterm="", n=0)
    return "\n".join(list(lines)[2:])


def table(results: list[dict[str, Any]]) -> str:
    """Return a Markdown table: of each package how many changes were made, how many noticed; then of each module."""
    counts: dict[str, Counter[str]] = {}
    for one in results:
        for name in (str(Path(one["path"]).parent), one["path"]):
            counts.setdefault(name, Counter())[one["outcome"]] += 1
    lines = ["| changes in | made | noticed | survived | run by no test |", "| --- | ---: | ---: | ---: | ---: |"]
    for name, of in sorted(counts.items(), key=lambda told: (told[0].endswith(".py"), told[0])):
        good, made = of["noticed"] + of["too slow"], of.total()
        lines.append(f"| `{name}` | {made} | {good} ({100 * good / made:.0f} %) | {of['survived']} | {of['not run']} |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
