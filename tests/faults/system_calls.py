"""A crash, a full disk or a failing one at the N-th system call of a real small ingest, for every N.

    uv run python -m tests.faults.system_calls

The ingest (tests/faults/small_ingest.py) makes a store, fills it through the daemon's loop and closes it. strace kills
it in the N-th write, flush, rename, ... on the store's files, or has that call fail with ENOSPC or EIO. Afterwards the
store opens again, all that was acknowledged is in it, and after a kill of each batch all or nothing; the same ingest
once more brings what a fresh store has.
"""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from loamline.edges.store.connection import Store, StoreError
from tests.faults.campaign import finish, parser, tell
from tests.faults.injection import CALLS, FAULTS, MISSING, ROOT, calls_in, files_of, strace_program, traced
from tests.faults.small_ingest import UPLINKS_A_BATCH, uplinks
from tests.faults.truth import compare
from tests.support.uplinks import raw_key, raw_log

_MODULE = "tests.faults.small_ingest"
_AT_ONCE = 2


@dataclass
class Summary:
    """What a campaign came to; `faults` must be empty. `ended`: exit codes of the ingest that had the fault."""

    seed: int
    points: dict[str, int] = field(default_factory=dict)
    runs: int = 0
    acknowledged_before_the_fault: int = 0
    ended: dict[str, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing that was acknowledged was lost, and every store came back."""
        return not self.faults


Point = tuple[str, str, int]


def points(seed: int, folder: Path) -> dict[str, int]:
    """Return how many calls of each kind the ingest makes on its files, in its busiest thread."""
    told = traced(
        [_MODULE, str(folder / "s.duckdb"), str(folder / "acknowledged"), str(seed)],
        files_of(folder / "s.duckdb"),
        log=folder / "calls",
    )
    if told.returncode:
        raise AssertionError(
            f"expected the ingest without a fault to end with 0, got {told.returncode}: {told.stderr!r}"
        )
    return calls_in(folder / "calls")


def campaign(seed: int, folder: Path, *, most: int | None = None, tell: Callable[[str], None]) -> Summary:
    """Put every fault into every call, or `most` of these, drawn by the seed."""
    summary = Summary(seed)
    first = folder / "first"
    first.mkdir()
    summary.points = points(seed, first)
    every = [(call, kind, number) for call in CALLS for number in range(1, summary.points[call] + 1) for kind in FAULTS]
    chosen = every if most is None else random.Random(seed).sample(every, most)
    with ThreadPoolExecutor(_AT_ONCE) as workers:
        for done, _ in enumerate(workers.map(lambda point: _try(point, seed, folder, summary), chosen), 1):
            if done % 20 == 0 or done == len(chosen):
                tell(f"{done}/{len(chosen)} points, {len(summary.faults)} faults")
    return summary


def _try(point: Point, seed: int, folder: Path, summary: Summary) -> None:
    inside = folder / "-".join(map(str, point))
    inside.mkdir()
    store, acknowledged = inside / "s.duckdb", inside / "acknowledged"
    command = [_MODULE, str(store), str(acknowledged), str(seed)]
    sent, where = uplinks(seed), " ".join(map(str, point))
    done = traced(command, files_of(store), fault=point, log=inside / "calls")
    summary.runs += 1
    ended = f"{point[1]}: {done.returncode}"
    summary.ended[ended] = summary.ended.get(ended, 0) + 1
    told = _acknowledged(acknowledged)
    summary.acknowledged_before_the_fault += len(told)
    try:
        problems = _after_the_fault(store, [raw_key(sent[number]) for number in told], sent, killed=point[1] == "kill")
        again = subprocess.run(
            [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, timeout=120, check=False
        )
        if again.returncode:
            problems.append(f"the next start ended with {again.returncode}: {again.stderr[-300:]!r}")
        else:
            truth = compare(sent, store)
            problems += [] if truth.sound else [f"after the next start: {truth}"]
    except (StoreError, duckdb.Error) as problem:
        problems = [f"expected the store to open, got {problem}"]
    summary.faults += [f"{where}: {problem}" for problem in problems]


def _acknowledged(path: Path) -> list[int]:
    return [int(line) for line in path.read_text().split() if int(line) >= 0] if path.exists() else []


def _after_the_fault(
    store: Path, told: Sequence[object], sent: Sequence[dict[str, object]], *, killed: bool
) -> list[str]:
    """Return what is wrong in the store as the fault left it."""
    if not store.exists():
        return ["acknowledged, but there is no store"] if told else []
    stored = raw_log(store)
    lost = set(told) - stored.keys()
    problems = [f"{len(lost)} acknowledged uplinks are lost"] if lost else []
    for at in range(0, len(sent), UPLINKS_A_BATCH):
        there = sum(raw_key(uplink) in stored for uplink in sent[at : at + UPLINKS_A_BATCH])
        if killed and there not in (0, UPLINKS_A_BATCH):
            problems.append(f"{there} of {UPLINKS_A_BATCH} uplinks of one batch are there")
    with Store.open(store) as opened:
        orphans = opened.scalar("SELECT count(*) FROM set_aside ANTI JOIN uplink USING (seq)")
        if orphans:
            problems.append(f"{orphans} are set aside without their uplink")
    return problems


def main() -> int:
    """Run a campaign from the command line; print the summary as JSON."""
    flags = parser(
        "system_calls",
        "Kill an ingest in its N-th system call on the store's files, or have that call fail, for every N.",
        "--seed 1",
    )
    flags.add_argument("--most", type=int, help="so many points, drawn by the seed, instead of all")
    told = flags.parse_args()
    if strace_program() is None:
        tell(MISSING)
        return 2
    return finish(lambda folder: campaign(told.seed, folder, most=told.most, tell=tell))


if __name__ == "__main__":
    sys.exit(main())
