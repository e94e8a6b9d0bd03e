"""A write-ahead log that is flipped, cut, filled with zeros or gone: noticed, or nothing that was acknowledged is lost.

    uv run python -m tests.faults.damaged_log --damages 400 --seed 1

The database opens a damaged log without a word and leaves out what follows the damage (measured with DuckDB 2.0.1). So
each damage to a copy of a killed daemon's store must end in one of two ways: opening is refused with a sentence that
names the watermark, or all that was acknowledged is there and verifies. Damage to the main file must be refused or told
on reading, or concern bytes that nothing is in.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.verify import verify
from loamline_codecs import builtin_codecs
from tests.faults.campaign import finish, parser, tell
from tests.faults.injection import ROOT
from tests.faults.small_ingest import uplinks
from tests.support.uplinks import raw_key, raw_log

_WRITER = """
import os, sys
from datetime import UTC, datetime
from pathlib import Path
from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.faults.small_ingest import uplinks
from tests.support.uplinks import as_bytes, registered_store
store = registered_store(Path(sys.argv[1]))
store.con.execute("CHECKPOINT")
writer = Writer(store, builtin_codecs())
told = uplinks(int(sys.argv[2]))
for at in range(0, len(told), 4):
    writer.commit([read_canonical(as_bytes(uplink), "t") for uplink in told[at : at + 4]])
os._exit(0)  # as a kill: the log is not folded into the file
"""


@dataclass
class Summary:
    """What a campaign came to; `silent` and `faults` must be 0 and empty."""

    seed: int
    damages: dict[str, int] = field(default_factory=dict)
    refused: int = 0
    harmless: int = 0
    silent: int = 0
    faults: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether every damage that cost something was noticed."""
        return not (self.silent or self.faults)


def killed_store(folder: Path, seed: int) -> Path:
    """Return a store whose writer ended without closing it: everything stands in the write-ahead log."""
    store = folder / "killed.duckdb"
    subprocess.run([sys.executable, "-c", _WRITER, str(store), str(seed)], cwd=ROOT, check=True, timeout=60)
    return store


def campaign(damages: int, seed: int, folder: Path, *, tell: Callable[[str], None]) -> Summary:
    """Damage copies of one store in `damages` ways, drawn by the seed."""
    summary, rng, counts = Summary(seed), random.Random(seed), Counter[str]()
    store = killed_store(folder, seed)
    expected = {raw_key(uplink) for uplink in uplinks(seed)}
    for number in range(1, damages + 1):
        inside = folder / f"damage{number}"
        inside.mkdir()
        copied = inside / store.name
        for found in folder.glob(store.name + "*"):
            shutil.copy(found, inside / found.name)
        kind, damage = rng.choice(list(_DAMAGES.items()))
        counts[kind] += 1
        damage(copied, rng)
        _judge(copied, kind, expected, summary)
        shutil.rmtree(inside)
        if number % 50 == 0 or number == damages:
            tell(f"{number} damages: {summary.refused} refused, {summary.harmless} harmless, {summary.silent} silent")
    summary.damages = dict(counts)
    return summary


def _judge(store: Path, kind: str, expected: set[object], summary: Summary) -> None:
    try:
        there = set(raw_log(store))
        with Store.open(store) as opened:
            differences = verify(opened, builtin_codecs(), 3).differences
    except StoreError as problem:
        summary.refused += 1
        if "\n" in str(problem):
            summary.faults.append(f"{kind}: expected a sentence, got {problem}")
        return
    except duckdb.Error:
        summary.refused += 1  # told on reading
        return
    if there == expected and not differences:
        summary.harmless += 1
    else:
        summary.silent += 1
        summary.faults.append(f"{kind}: {len(expected - there)} lost without a word, {differences} differences")


def _wal(store: Path) -> Path:
    return store.with_name(store.name + ".wal")


def _flip(path: Path, rng: random.Random) -> None:
    content = bytearray(path.read_bytes())
    content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    path.write_bytes(content)


def _zeros(path: Path, rng: random.Random) -> None:
    content = bytearray(path.read_bytes())
    at = rng.randrange(len(content))
    length = min(rng.choice([1, 64, 512, 4096]), len(content) - at)
    content[at : at + length] = bytes(length)
    path.write_bytes(content)


def _cut(path: Path, rng: random.Random) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: rng.randrange(len(content))])


def _append(path: Path, rng: random.Random) -> None:
    path.write_bytes(path.read_bytes() + rng.randbytes(rng.randrange(1, 5000)))


_DAMAGES: dict[str, Callable[[Path, random.Random], object]] = {
    "a bit of the log": lambda store, rng: _flip(_wal(store), rng),
    "zeros in the log": lambda store, rng: _zeros(_wal(store), rng),
    "the log cut": lambda store, rng: _cut(_wal(store), rng),
    "noise after the log": lambda store, rng: _append(_wal(store), rng),
    "the log gone": lambda store, _: _wal(store).unlink(),
    "a bit of the file": _flip,
    "zeros in the file": _zeros,
}


def main() -> int:
    """Run a campaign from the command line; print the summary as JSON."""
    flags = parser("damaged_log", "Damage the write-ahead log; check that it is noticed.", "--damages 400 --seed 1")
    flags.add_argument("--damages", type=int, default=60)
    told = flags.parse_args()
    return finish(lambda folder: campaign(told.damages, told.seed, folder, tell=tell))


if __name__ == "__main__":
    sys.exit(main())
