"""kill -9 of the real daemon at random moments, while a fleet keeps sending through a real broker.

    uv run python -m tests.faults.chaos --kills 200 --seed 1

Afterwards: every uplink that the broker took is in the raw log, none is there twice, and the readings are those of a
fresh store that was given the same uplinks at once. Exit 0 if so, 1 if not. The same seed kills after the same spans
and sends the same uplinks in the same order; what the operating system makes of it differs from run to run.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from loamline.edges.publisher import Publisher
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import MISSING, Mosquitto, mosquitto_program
from tests.support.uplinks import as_bytes, fleet, import_at_once, raw_key, raw_log, readings, registered_store

TOPIC = "loamline/uplinks/chaos"
#: Enough that a kill finds a commit under way more often than not.
UPLINKS_PER_SECOND = 120
REPEATED = 0.1
#: How long a life lasts after its subscription stands, seconds.
SHORTEST_LIFE_S, LONGEST_LIFE_S = 0.0, 1.2
#: Kills that are aimed at the moment between a commit and its acknowledgement, which chance alone seldom finds.
AIMED = 0.4


@dataclass
class Summary:
    """What a campaign came to. `lost`, `doubled`, `unasked` and `wrong_readings` must be 0.

    `committed_again`: messages that a kill left committed but unacknowledged, so that they came once more.
    """

    seed: int
    protocol: str
    kills: int = 0
    aimed_kills: int = 0
    lives_that_committed: int = 0
    sent: int = 0
    sent_again: int = 0
    committed: int = 0
    committed_again: int = 0
    stored: int = 0
    lost: int = 0
    doubled: int = 0
    unasked: int = 0
    readings: int = 0
    wrong_readings: int = 0

    @property
    def sound(self) -> bool:
        """Whether nothing was lost, nothing doubled and every reading is right."""
        return self.stored == self.sent and not (self.lost or self.doubled or self.unasked or self.wrong_readings)


class Fleet(threading.Thread):
    """Sends the uplinks of `fleet(seed)` at a steady pace until stopped, about one in ten of them again."""

    def __init__(self, broker: Mosquitto, seed: int) -> None:
        super().__init__(name="fleet", daemon=True)
        self._broker, self._seed = broker, seed
        self._rng = random.Random(seed)
        self._enough = threading.Event()
        self.sent: list[dict[str, Any]] = []
        self.again = 0
        self.problem: Exception | None = None

    def run(self) -> None:
        """Publish; leaving the publisher waits for the broker's last acknowledgement."""
        try:
            with Publisher(host=self._broker.host, port=self._broker.port, protocol="5") as publisher:
                for uplink in fleet(self._seed):
                    if self._enough.wait(1 / UPLINKS_PER_SECOND):
                        return
                    publisher.publish(TOPIC, as_bytes(uplink))
                    self.sent.append(uplink)
                    if self._rng.random() < REPEATED:
                        # At once, or long after: an uplink may come twice by many ways.
                        earlier = self.sent[-1 - min(self._rng.choice([0, 1, 30, 500]), len(self.sent) - 1)]
                        publisher.publish(TOPIC, as_bytes(earlier))
                        self.again += 1
        except Exception as problem:  # noqa: BLE001 - told by `finish`
            self.problem = problem

    def finish(self) -> None:
        """Stop sending; everything in `sent` is then acknowledged by the broker."""
        self._enough.set()
        self.join(timeout=40)
        if self.problem is not None or self.is_alive():
            raise AssertionError(f"expected the fleet to have sent everything, got {self.problem or 'no end'}")


def campaign(
    kills: int, seed: int, folder: Path, *, protocol: Literal["5", "3.1.1"] = "5", tell: Callable[[str], None]
) -> Summary:
    """Run one campaign in `folder`; return what it came to."""
    program = mosquitto_program()
    if program is None:
        raise FileNotFoundError(MISSING)
    summary, rng, store = Summary(seed, protocol), random.Random(seed), folder / "chaos.duckdb"
    registered_store(store).close()
    broker = Mosquitto(program, folder)
    broker.start()
    senders = Fleet(broker, seed)
    flags = ("--protocol", protocol, "--batch-messages", "50", "--batch-milliseconds", "20")
    try:
        # The first life makes the session, in which the broker keeps what comes while nobody is there.
        daemon = Daemon(broker, store, *flags)
        daemon.wait_for("subscribed")
        senders.start()
        for number in range(1, kills + 1):
            time.sleep(rng.uniform(SHORTEST_LIFE_S, LONGEST_LIFE_S))
            if rng.random() < AIMED:
                _wait_for_a_commit(store)
                summary.aimed_kills += 1
            daemon.kill()
            summary.kills += 1
            _note(summary, daemon)
            if number % 10 == 0 or number == kills:
                tell(
                    f"{number}/{kills} kills, {len(senders.sent)} uplinks sent, {summary.committed} messages committed"
                )
            daemon = Daemon(broker, store, *flags)
            daemon.wait_for("subscribed")
        senders.finish()
        _drain(daemon)
        code = daemon.terminate()
        assert code == 0, f"expected the daemon to leave with 0, got {code}: {daemon.events()[-5:]}"
        _note(summary, daemon)
    finally:
        daemon.process.kill()
        broker.stop()
    summary.sent, summary.sent_again = len(senders.sent), senders.again
    summary.committed_again -= senders.again
    _compare(summary, senders.sent, store, folder / "at_once.duckdb")
    return summary


def _wait_for_a_commit(store: Path) -> None:
    """Return as soon as a commit is seen: the daemon replaces the watermark file after it, then acknowledges."""
    watermark = store.with_name(store.name + ".watermark")
    before = watermark.stat().st_ino if watermark.exists() else 0
    for _ in range(10_000):
        if watermark.exists() and watermark.stat().st_ino != before:
            return
        time.sleep(0.0002)


def _note(summary: Summary, daemon: Daemon) -> None:
    read = daemon.committed("read")
    summary.committed += read
    summary.committed_again += daemon.committed("duplicates")
    summary.lives_that_committed += read > 0


def _drain(daemon: Daemon) -> None:
    """Wait until the daemon has had nothing to commit for two seconds."""
    seen, quiet = -1, 0

    def is_quiet() -> bool:
        nonlocal seen, quiet
        now = len(daemon.told("committed"))
        seen, quiet = now, (quiet + 1 if now == seen else 0)
        return quiet >= 100

    until(is_quiet, within_s=300)


def _compare(summary: Summary, sent: list[dict[str, Any]], store: Path, at_once: Path) -> None:
    stored, expected = raw_log(store), Counter(raw_key(uplink) for uplink in sent)
    summary.stored = len(stored)
    summary.lost = len(expected.keys() - stored.keys())
    summary.unasked = len(stored.keys() - expected.keys())
    summary.doubled = sum(count - 1 for count in stored.values())
    import_at_once(at_once, sent)
    told, right = readings(store), readings(at_once)
    summary.readings = told.num_rows
    if not told.equals(right):
        pairs = zip(told.to_pylist(), right.to_pylist(), strict=False)
        wrong = sum(ours != theirs for ours, theirs in pairs)
        summary.wrong_readings = max(1, wrong + abs(told.num_rows - right.num_rows))


def _tell(line: str) -> None:
    sys.stderr.write(line + "\n")


def main() -> int:
    """Run a campaign from the command line; print progress, then the summary as JSON."""
    parser = argparse.ArgumentParser(
        description="Kill the daemon at random moments; check that nothing is lost or doubled.",
        epilog="Example: uv run python -m tests.faults.chaos --kills 200 --seed 1",
    )
    parser.add_argument("--kills", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--protocol", choices=("5", "3.1.1"), default="5")
    told = parser.parse_args()
    if mosquitto_program() is None:
        sys.stderr.write(MISSING + "\n")
        return 2
    with tempfile.TemporaryDirectory() as folder:
        summary = campaign(
            told.kills,
            told.seed,
            Path(folder),
            protocol=told.protocol,
            tell=_tell,
        )
    sys.stdout.write(json.dumps({**asdict(summary), "sound": summary.sound}, indent=2) + "\n")
    return 0 if summary.sound else 1


if __name__ == "__main__":
    sys.exit(main())
