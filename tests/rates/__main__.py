"""Report each check's false alarms and faults found: `uv run python -m tests.rates [--years 3] [--seed 1] [--json]`.

Example: uv run python -m tests.rates --write
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from rich.console import Console

from tests.rates.report import as_json, as_markdown, report, written_into

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"


def main(given: list[str] | None = None) -> int:
    """Draw the years, judge them, and print or write the tables."""
    arguments = argparse.ArgumentParser(
        prog="python -m tests.rates",
        description=__doc__.splitlines()[0].partition(":")[0] + ".",
        epilog="Example: uv run python -m tests.rates --years 3 --seed 1 --json",
    )
    arguments.add_argument("--years", type=int, default=3, metavar="N", help="years of each situation (3)")
    arguments.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the generators (1)")
    how = arguments.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print JSON")
    how.add_argument("--write", action="store_true", help="write the tables into the page, between its markers")
    arguments.add_argument("--page", type=Path, default=PAGE, help="which page (DEVELOPERS.md)")
    told = arguments.parse_args(given)
    if told.years < 1 or told.seed < 0:
        arguments.error(f"expected --years from 1 and --seed from 0, got {told.years} and {told.seed}")
    progress = Console(stderr=True)
    rates = report(told.seed, told.years, tell=lambda name: progress.print(name, style="dim"))
    if told.json:
        sys.stdout.write(json.dumps(as_json(rates), indent=2) + "\n")
    elif told.write:
        try:
            told.page.write_text(written_into(told.page.read_text(encoding="utf-8"), rates), encoding="utf-8")
        except (OSError, ValueError) as problem:
            arguments.error(str(problem))
        sys.stdout.write(f"wrote {told.page.name}\n")
    else:
        sys.stdout.write(as_markdown(rates))
    return 0


if __name__ == "__main__":
    sys.exit(main())
