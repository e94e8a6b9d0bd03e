"""kill -9 of the daemon and of the commands that ask it to replay, at random moments, while a fleet keeps sending.

    uv run python -m tests.faults.chaos_replays --kills 60 --seed 1

A registry is revised over and over, and `replay apply` and `replay undo` run through the socket; the daemon, the
command or both are killed. After every end of the daemon the store is opened as it lies there: all that is seen has to
be what a derivation under the revisions in force gives, so that each is wholly applied or wholly undone. At last what
was begun is finished, nothing is left staged, and every uplink that the broker took is there once. Exit 0 if so, 1 if
not.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loamline.app.requests import registry_as_json
from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import pending_probes, revision_rows, unfinished
from loamline.edges.store.verify import verify
from tests.faults.campaign import finish, parser, tell
from tests.faults.chaos import drain
from tests.faults.senders import Fleet
from tests.support.daemon import Daemon, until
from tests.support.large_store import fleet_registry, fleet_store
from tests.support.mosquitto import MISSING, Mosquitto, mosquitto_program
from tests.support.revised import CODECS, apply
from tests.support.uplinks import raw_key, raw_log

#: So many uplinks that a replay takes a second or so: most kills find one under way.
PROBES, HOURS = 60, 700
UPLINKS_PER_SECOND = 60
#: How long a replay is let alone after it was asked for, at most, as a share of what an undisturbed one took: in
#: seconds, a slow machine would have each command killed before it asked for anything.
LONGEST_SHARE = 1.1
#: Soil curves that are put in force one after another, so that no revision is asked for that changes nothing.
_SLOPES = (0.005, 0.01, 0.015, 0.0)
_COMMAND = "from loamline.app.cli import main; main()"
_VICTIMS = ("daemon", "daemon", "command", "both", "nobody")


@dataclass
class Summary:
    """What a campaign came to. `differences`, `left_over`, `lost` and `doubled` must be 0.

    `found`: in which step the newest revision was when the store was looked at after a kill.
    """

    seed: int
    asked: dict[str, int] = field(default_factory=dict)
    killed: dict[str, int] = field(default_factory=dict)
    found: dict[str, int] = field(default_factory=dict)
    revisions: dict[str, int] = field(default_factory=dict)
    differences: int = 0
    left_over: int = 0
    sent: int = 0
    lost: int = 0
    doubled: int = 0

    @property
    def sound(self) -> bool:
        """Whether every revision is whole and no uplink lost or doubled."""
        whole = not set(self.revisions) - {"applied", "undone"}
        return whole and not (self.differences or self.left_over or self.lost or self.doubled)


def campaign(kills: int, seed: int, folder: Path, say: Callable[[str], None]) -> Summary:
    """Run one campaign in `folder`; return what it came to."""
    program = mosquitto_program()
    if program is None:
        raise FileNotFoundError(MISSING)
    summary, rng, store = Summary(seed), random.Random(seed), folder / "chaos.duckdb"
    fleet_store(store, PROBES, HOURS)
    broker = Mosquitto(program, folder)
    broker.start()
    senders = Fleet(broker, seed, per_second=UPLINKS_PER_SECOND)
    flags = ("--batch-messages", "50", "--batch-milliseconds", "20")
    daemon = Daemon(broker, store, *flags)
    try:
        daemon.wait_for("subscribed")
        senders.start()
        longest_s = LONGEST_SHARE * _undisturbed_s(store, summary)
        for number in range(1, kills + 1):
            _revise(store, _SLOPES[number % len(_SLOPES)])
            command = _ask(store, rng.choice(["apply", "apply", "undo"]), summary)
            time.sleep(rng.uniform(0.0, longest_s))
            victim = rng.choice(_VICTIMS)
            _count(summary.killed, victim)
            if victim in ("command", "both"):
                command.kill()
            if victim in ("daemon", "both"):
                daemon.kill()
                # A command that found no daemon any more does the work itself, and has the store open.
                command.wait(timeout=60)
                _look(store, summary)
                daemon = Daemon(broker, store, *flags)
                daemon.wait_for("subscribed")
            command.wait(timeout=60)
            say(f"{number}/{kills}: {victim} killed, {summary.differences} differences")
        senders.finish()
        drain(daemon)
        assert daemon.terminate() == 0, daemon.events()[-5:]
    finally:
        daemon.process.kill()
        broker.stop()
    _finish(store, summary)
    stored, expected = raw_log(store), {raw_key(uplink) for uplink in senders.sent}
    summary.sent = len(expected)
    summary.lost = len(expected - stored.keys())
    summary.doubled = sum(stored[key] - 1 for key in expected & stored.keys())
    return summary


def _undisturbed_s(store: Path, summary: Summary) -> float:
    """Apply the first revision with nobody killed, and return how many seconds its command took."""
    _revise(store, _SLOPES[0])
    since = time.monotonic()
    command = _ask(store, "apply", summary)
    assert command.wait(timeout=120) == 0, "the first replay, with nobody killed, has to be applied"
    return time.monotonic() - since


def _revise(store: Path, slope: float) -> None:
    """Load another soil curve, once what the daemon has begun is done or not: it answers at once."""
    state = fleet_registry(PROBES, slope=slope)
    until(lambda: socket_path(store).exists())
    with ControlClient(socket_path(store)) as client:
        client.answer("registry_load", state=registry_as_json(state), note="chaos")


def _ask(store: Path, verb: str, summary: Summary) -> subprocess.Popen[bytes]:
    _count(summary.asked, verb)
    more = ["--reason", "chaos"] if verb == "apply" else []
    arguments = [sys.executable, "-c", _COMMAND, "replay", verb, "--store", str(store), *more]
    return subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _look(store: Path, summary: Summary) -> None:
    """Compare what the dead daemon left with a derivation under the revisions in force."""
    with Store.open(store) as opened:
        rows, left = revision_rows(opened), unfinished(opened)
        _count(summary.found, "none" if not rows else "merging" if left and left.step == "applied" else rows[-1].step)
        summary.differences += verify(opened, CODECS, first=3).differences


def _finish(store: Path, summary: Summary) -> None:
    """Finish what was begun, and see that all of it is whole."""
    with Store.open(store) as opened:
        apply(opened)
        summary.differences += verify(opened, CODECS, first=3).differences
        summary.left_over = int(opened.scalar("SELECT count(*) FROM reading_staged")) + len(pending_probes(opened))
        summary.revisions = dict(Counter(row.step for row in revision_rows(opened)))


def _count(counts: dict[str, int], name: str) -> None:
    counts[name] = counts.get(name, 0) + 1


def main() -> int:
    """Run a campaign from the command line; print progress, then the summary as JSON."""
    flags = parser(
        "chaos_replays",
        "Kill the daemon and replay commands at random moments; every revision has to be whole.",
        "--kills 60 --seed 1",
    )
    flags.add_argument("--kills", type=int, default=8)
    told = flags.parse_args()
    return finish(lambda folder: campaign(told.kills, told.seed, folder, tell), broker=True)


if __name__ == "__main__":
    sys.exit(main())
