"""Both executors beside each other on a million payloads: well formed, mutated, truncated, extended, anything.

    uv run python -m tests.codecs.campaign --payloads 1000000 --seed 1

Half of the payloads are for the shipped codecs, half for random declarations. Exit 0 if the columnar executor said of
every payload what the scalar parser says, the same values or the same refusal; 1 if not. The same seed gives the
same payloads and declarations; a disagreement names the draw, and `--only` tries that draw again alone.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field

import numpy as np

from loamline_codecs import Codec, CodecSet, builtin_codecs
from loamline_codecs.agreement import ScalarError, compare, decode, row_by_row
from loamline_codecs.columnar import SMALLEST_PARTITION, read_columns
from tests.codecs.declarations import as_text, random_codec
from tests.codecs.payloads import payloads

#: Payloads of one draw: of a shipped codec, of a random declaration.
SHIPPED_BATCH, RANDOM_BATCH = 5000, 500
#: How many disagreements of a draw are written out.
SHOWN = 5


@dataclass
class Tally:
    """What came of one codec's payloads, or of those of all random declarations.

    `as_columns`: how many the columnar executor itself read. `disagreements` must be 0.
    """

    payloads: int = 0
    accepted: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    as_columns: int = 0
    disagreements: int = 0

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        self.payloads += other.payloads
        self.accepted += other.accepted
        for reason, count in other.refused.items():
            self.refused[reason] = self.refused.get(reason, 0) + count
        self.as_columns += other.as_columns
        self.disagreements += other.disagreements


@dataclass
class Summary:
    """What a campaign came to; `sentences` are the first disagreements of each draw."""

    seed: int
    by_codec: dict[str, Tally] = field(default_factory=dict)
    declarations: int = 0
    declarations_read_as_columns: int = 0
    sentences: list[str] = field(default_factory=list)

    @property
    def total(self) -> Tally:
        """All codecs together."""
        total = Tally()
        for tally in self.by_codec.values():
            total.add(tally)
        return total

    @property
    def ok(self) -> bool:
        """Whether both executors agreed on every payload."""
        return not self.total.disagreements

    def as_json(self) -> dict[str, object]:
        """Return the summary for a script."""
        return {**asdict(self), "total": asdict(self.total), "ok": self.ok}


#: What a random declaration's payloads are counted under.
RANDOM = "random declarations"


def run(least: int, seed: int, progress: Callable[[int], None] = lambda _: None) -> Summary:
    """Try at least so many payloads, half of them on random declarations."""
    summary = Summary(seed)
    done, draws = {True: 0, False: 0}, {True: 0, False: 0}
    while sum(done.values()) < least:
        shipped = done[True] <= done[False]
        done[shipped] += draw_once(summary, seed, draws[shipped], shipped=shipped)
        draws[shipped] += 1
        progress(sum(done.values()))
    return summary


def draw_once(summary: Summary, seed: int, draw: int, *, shipped: bool) -> int:
    """Try one codec on one batch; return how many payloads that was."""
    rng = random.Random(f"{seed}:{draw}:{'shipped' if shipped else 'random'}")
    if shipped:
        codecs = builtin_codecs()
        codec = codecs.codecs[draw % len(codecs.codecs)]
        name = codec.name
    else:
        codec = random_codec(rng, f"random-{draw}")
        codecs, name = CodecSet([codec]), RANDOM
    batch = payloads(rng, codec, SHIPPED_BATCH if shipped else RANDOM_BATCH)
    fports = [rng.randrange(256) if rng.randrange(50) == 0 else codec.match.fport for _ in batch]
    tally, told = trial(codecs, codec, fports, batch)
    summary.by_codec.setdefault(name, Tally()).add(tally)
    if not shipped:
        summary.declarations += 1
        summary.declarations_read_as_columns += tally.as_columns > 0
    kind = "shipped" if shipped else "random"
    where = f"{kind}:{draw} of seed {seed}"
    summary.sentences += [f"{where}, {codec.name}: {sentence}" for sentence in told[:SHOWN]]
    if told and not shipped:
        summary.sentences.append(f"{where} is\n{as_text(codec)}")
    return tally.payloads


def trial(codecs: CodecSet, codec: Codec, fports: Sequence[int], batch: Sequence[bytes]) -> tuple[Tally, list[str]]:
    """Read payloads meant for a codec with both executors; return what came of them and every disagreement."""
    own = [payload for fport, payload in zip(fports, batch, strict=True) if fport == codec.match.fport]
    tally = Tally(payloads=len(batch), as_columns=read_as_columns(codec, own))
    try:
        expected = row_by_row(codecs, fports, batch)
    except ScalarError as problem:
        tally.disagreements = 1
        return tally, [str(problem)]
    tally.accepted = int((expected.codec >= 0).sum())
    tally.refused = dict(Counter(refusal.reason for refusal in expected.refusals.values()))
    try:
        with warnings.catch_warnings(action="error"):  # a warning on odd data would fill somebody's log
            told = compare(expected, decode(codecs, fports, batch), batch)
    except Exception as problem:  # noqa: BLE001 - whatever it is, a batch must never raise
        told = [f"a batch of {len(batch)}: expected to be decoded, got {type(problem).__name__}: {problem}"]
    tally.disagreements = len(told)
    return tally, told


def read_as_columns(codec: Codec, batch: Sequence[bytes]) -> int:
    """Return how many of a codec's payloads the columnar executor reads by itself."""
    count = 0
    for alike in by_length(payload for payload in batch if payload and payload[0] in codec.match.first_bytes):
        if len(alike) >= SMALLEST_PARTITION:
            block = np.frombuffer(b"".join(alike), dtype=np.uint8).reshape(len(alike), -1)
            parts, _ = read_columns(codec.plans, np.arange(len(alike), dtype=np.int64), block)
            count += sum(len(part.rows) for part in parts)
    return count


def by_length(batch: Iterator[bytes]) -> list[list[bytes]]:
    """Return payloads in groups of one length each."""
    groups: dict[int, list[bytes]] = {}
    for payload in batch:
        groups.setdefault(len(payload), []).append(payload)
    return list(groups.values())


def report(summary: Summary) -> str:
    """Return the summary as a table and sentences for a person."""
    rows = [*sorted(summary.by_codec.items()), ("all", summary.total)]
    lines = [f"{'':20} {'payloads':>10} {'accepted':>10} {'as columns':>10} {'disagree':>9}  refused for"]
    for name, tally in rows:
        reasons = ", ".join(f"{reason} {count}" for reason, count in sorted(tally.refused.items()))
        lines.append(
            f"{name:20} {tally.payloads:10} {tally.accepted:10} {tally.as_columns:10} "
            f"{tally.disagreements:9}  {reasons}"
        )
    lines.append(
        f"{summary.declarations} random declarations, {summary.declarations_read_as_columns} of them read as columns"
    )
    return "\n".join([*lines, *summary.sentences])


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a campaign; return the exit code."""
    parser = argparse.ArgumentParser(
        description="Compare both executors on many payloads of the shipped codecs and of random declarations.",
        epilog="Example: uv run python -m tests.codecs.campaign --payloads 1000000 --seed 1",
    )
    parser.add_argument("--payloads", type=int, default=1_000_000, help="how many at least (default: a million)")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same payloads (default: 1)")
    parser.add_argument("--only", metavar="KIND:DRAW", help="try one draw again alone, for instance random:17")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    given = parser.parse_args(arguments)
    if given.only:
        kind, _, draw = given.only.partition(":")
        if kind not in ("shipped", "random") or not draw.isdecimal():
            parser.error(f"--only: expected shipped:DRAW or random:DRAW, got {given.only}")
        summary = Summary(given.seed)
        draw_once(summary, given.seed, int(draw), shipped=kind == "shipped")
    else:
        summary = run(given.payloads, given.seed, _Progress(given.payloads))
    print(json.dumps(summary.as_json(), indent=2) if given.json else report(summary))  # noqa: T201 - a command's output
    return 0 if summary.ok else 1


class _Progress:
    """Tells every tenth, on the error stream."""

    def __init__(self, whole: int) -> None:
        self.whole, self.told = whole, 0

    def __call__(self, done: int) -> None:
        tenth = 10 * done // self.whole
        if tenth > self.told:
            self.told = tenth
            print(f"{done} of {self.whole} payloads", file=sys.stderr)  # noqa: T201 - progress of a command


if __name__ == "__main__":
    sys.exit(main())
