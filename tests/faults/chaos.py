"""kill -9 of the real daemon at random moments, while a fleet keeps sending through a real broker and the webhook.

    uv run python -m tests.faults.chaos --kills 200 --seed 1

Three in five uplinks come both ways, one in five by each alone. Afterwards: every uplink that the broker took, or that
the webhook answered with 200, is in the raw log, none is there twice, and the readings are those of a fresh store that
was given the same uplinks at once. Exit 0 if so, 1 if not. The same seed kills after the same spans and sends the same
uplinks in the same order; what the operating system makes of it differs from run to run.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from tests.faults.campaign import finish, parser, tell
from tests.faults.senders import Fleet
from tests.faults.truth import compare
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import MISSING, Mosquitto, free_port, mosquitto_program
from tests.support.uplinks import registered_store

#: Enough that a kill finds a commit under way more often than not.
UPLINKS_PER_SECOND = 120
#: How long a life lasts after its subscription stands, seconds.
SHORTEST_LIFE_S, LONGEST_LIFE_S = 0.0, 1.2
#: Kills that are aimed at the moment between a commit and its acknowledgement, which chance alone seldom finds.
AIMED = 0.4


@dataclass
class Summary:
    """What a campaign came to. `lost`, `doubled`, `unasked`, `wrong_readings` and `differences` must be 0.

    `committed_again`: messages that a kill left committed but unacknowledged, so that they came once more.
    """

    seed: int
    protocol: str
    webhook: bool
    kills: int = 0
    aimed_kills: int = 0
    lives_that_committed: int = 0
    sent: int = 0
    sent_again: int = 0
    answered_by_webhook: int = 0
    posts_in_vain: int = 0
    committed: int = 0
    committed_again: int = 0
    stored: int = 0
    lost: int = 0
    doubled: int = 0
    unasked: int = 0
    readings: int = 0
    wrong_readings: int = 0
    differences: int = 0

    @property
    def sound(self) -> bool:
        """Whether nothing was lost, nothing doubled and every reading is right."""
        wrong = self.lost or self.doubled or self.unasked or self.wrong_readings or self.differences
        return self.stored == self.sent and not wrong


def campaign(
    kills: int,
    seed: int,
    folder: Path,
    *,
    protocol: Literal["5", "3.1.1"] = "5",
    webhook: bool = False,
    tell: Callable[[str], None],
) -> Summary:
    """Run one campaign in `folder`; return what it came to."""
    program = mosquitto_program()
    if program is None:
        raise FileNotFoundError(MISSING)
    summary, rng, store = Summary(seed, protocol, webhook), random.Random(seed), folder / "chaos.duckdb"
    registered_store(store).close()
    broker = Mosquitto(program, folder)
    broker.start()
    flags = ["--protocol", protocol, "--batch-messages", "50", "--batch-milliseconds", "20"]
    url = None
    if webhook:
        port = free_port()
        url, flags = f"http://127.0.0.1:{port}/uplinks", [*flags, "--webhook-port", str(port)]
    senders = Fleet(broker, seed, per_second=UPLINKS_PER_SECOND, webhook=url)
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
        drain(daemon)
        code = daemon.terminate()
        assert code == 0, f"expected the daemon to leave with 0, got {code}: {daemon.events()[-5:]}"
        _note(summary, daemon)
    finally:
        daemon.process.kill()
        broker.stop()
    summary.sent_again = senders.again
    summary.committed_again -= senders.again
    if senders.postman is not None:
        summary.answered_by_webhook = len(senders.postman.answered)
        summary.posts_in_vain = senders.postman.tries_in_vain
    for name, count in asdict(compare(senders.sent, store)).items():
        setattr(summary, name, count)
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


def drain(daemon: Daemon) -> None:
    """Wait until the daemon has had nothing to commit for two seconds."""
    seen, quiet = -1, 0

    def is_quiet() -> bool:
        nonlocal seen, quiet
        now = len(daemon.told("committed"))
        seen, quiet = now, (quiet + 1 if now == seen else 0)
        return quiet >= 100

    until(is_quiet, within_s=300)


def main() -> int:
    """Run a campaign from the command line; print progress, then the summary as JSON."""
    flags = parser(
        "chaos", "Kill the daemon at random moments; check that nothing is lost or doubled.", "--kills 200 --seed 1"
    )
    flags.add_argument("--kills", type=int, default=8)
    flags.add_argument("--protocol", choices=("5", "3.1.1"), default="5")
    flags.add_argument("--no-webhook", action="store_true", help="send through the broker alone")
    told = flags.parse_args()
    return finish(
        lambda folder: campaign(
            told.kills, told.seed, folder, protocol=told.protocol, webhook=not told.no_webhook, tell=tell
        ),
        broker=True,
    )


if __name__ == "__main__":
    sys.exit(main())
