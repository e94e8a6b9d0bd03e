"""The derivation machine for as long as one likes: `python -m tests.edges.machine_campaign --examples 500 --seed 1`."""

from __future__ import annotations

import argparse
import sys

from hypothesis import HealthCheck, settings
from hypothesis import seed as seeded
from hypothesis.stateful import run_state_machine_as_test

from tests.edges.derivation_machine import Derivation


def main() -> int:
    """Run the campaign; the failing steps, shrunk to the fewest, are printed as a program."""
    parser = argparse.ArgumentParser(
        description="Deliver, redeliver, reorder, crash, change the registry; verify after every step.",
        epilog="Example: uv run python -m tests.edges.machine_campaign --examples 500 --seed 1",
    )
    parser.add_argument("--examples", type=int, default=500)
    parser.add_argument("--steps", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    chosen = settings(
        max_examples=told.examples,
        stateful_step_count=told.steps,
        deadline=None,
        database=None,
        print_blob=False,
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(seeded(told.seed)(Derivation), settings=chosen)
    sys.stdout.write(f"{told.examples} courses of up to {told.steps} steps: stored is what the raw log gives\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
