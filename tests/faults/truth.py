"""What a store should hold after a campaign, compared with what it holds; the truth is what the senders sent."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loamline.edges.store.connection import Store
from loamline.edges.store.verify import verify
from loamline_codecs import builtin_codecs
from tests.support.uplinks import import_at_once, raw_key, raw_log, readings


@dataclass(frozen=True)
class Truth:
    """How a store differs from what was sent. All but `sent`, `stored` and `readings` must be 0."""

    sent: int
    stored: int
    lost: int
    doubled: int
    unasked: int
    readings: int
    wrong_readings: int
    differences: int

    @property
    def sound(self) -> bool:
        """Whether nothing was lost, nothing doubled and every reading is right."""
        return not (self.lost or self.doubled or self.unasked or self.wrong_readings or self.differences)


def compare(sent: Sequence[dict[str, Any]], store: Path, *, excused: Collection[Any] = ()) -> Truth:
    """Return how the store at `store` differs from a fresh one that is given the same uplinks in one batch.

    `excused`: `raw_key`s that may be missing, since it was not the daemon that lost them. `differences` are those that
    `verify` finds between what is stored and what the stored raw log gives.
    """
    stored, expected = raw_log(store), Counter(raw_key(uplink) for uplink in sent)
    there = [uplink for uplink in sent if raw_key(uplink) in stored]
    at_once = store.with_name("at_once.duckdb")
    at_once.unlink(missing_ok=True)
    at_once.with_name(at_once.name + ".watermark").unlink(missing_ok=True)
    import_at_once(at_once, there)
    told, right = readings(store), readings(at_once)
    wrong = 0
    if not told.equals(right):
        pairs = zip(told.to_pylist(), right.to_pylist(), strict=False)
        wrong = max(1, sum(ours != theirs for ours, theirs in pairs) + abs(told.num_rows - right.num_rows))
    with Store.open(store) as opened:
        differences = verify(opened, builtin_codecs(), 5).differences
    return Truth(
        sent=len(expected),
        stored=len(stored),
        lost=len(expected.keys() - stored.keys() - set(excused)),
        doubled=sum(count - 1 for count in stored.values()),
        unasked=len(stored.keys() - expected.keys()),
        readings=told.num_rows,
        wrong_readings=wrong,
        differences=differences,
    )
