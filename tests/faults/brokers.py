"""Brokers that restart, brokers that misbehave, and a network that cuts: nothing that was acknowledged is lost.

    uv run python -m tests.faults.brokers --scenario fake --seconds 120 --seed 1

`restarts`: mosquitto with persistence, restarted again and again; no message is lost. `forgetful`: the same without
persistence, which loses the session and what is in it; what comes after the last restart must all be there. `fake`:
the broker of tests/faults/fake_broker.py loses sessions so that packet ids start anew, leaks, repeats, loses
acknowledgements, stalls and cuts packets, and the daemon is killed now and then; whatever the broker still had, or was
acknowledged, must be there. `proxy`: mosquitto and the webhook behind a proxy that delays, crumbles, cuts and closes
one direction.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from loamline.edges.publisher import Publisher
from tests.faults.campaign import finish, parser, tell
from tests.faults.chaos import drain
from tests.faults.fake_broker import FakeBroker
from tests.faults.senders import TOPIC, Fleet
from tests.faults.tcp_proxy import TcpProxy
from tests.faults.truth import compare
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import MISSING, Mosquitto, free_port, mosquitto_program
from tests.support.uplinks import as_bytes, fleet, raw_key, raw_log, registered_store

_FLAGS = ("--batch-messages", "50", "--batch-milliseconds", "20")
_A_SECOND = 100
#: Longer than the client takes to connect again.
_PATIENCE_S = 90.0


@dataclass
class Summary:
    """What a campaign came to; `lost` and all after it but `readings` must be 0.

    `lost_by_broker`: messages of a session that the broker lost, which nobody could bring back.
    """

    scenario: str
    seed: int
    events: dict[str, int] = field(default_factory=dict)
    connections: int = 0
    acknowledged: int = 0
    lost_by_broker: int = 0
    sent: int = 0
    stored: int = 0
    readings: int = 0
    lost: int = 0
    doubled: int = 0
    unasked: int = 0
    wrong_readings: int = 0
    differences: int = 0
    acknowledged_but_lost: int = 0

    @property
    def sound(self) -> bool:
        """Whether nothing is missing but what the broker lost, and nothing is wrong."""
        wrong = self.lost + self.doubled + self.unasked + self.wrong_readings + self.differences
        return wrong + self.acknowledged_but_lost == 0


def restarts(seconds: float, seed: int, folder: Path, *, forgetful: bool, tell: Callable[[str], None]) -> Summary:
    """Restart mosquitto again and again; `forgetful`: it keeps no session."""
    summary, rng, store = (
        Summary("forgetful" if forgetful else "restarts", seed),
        random.Random(seed),
        folder / "b.duckdb",
    )
    registered_store(store).close()
    broker = _mosquitto(folder, persistence=not forgetful)
    uplinks, sent, may_be_missing = fleet(seed), [], set()
    daemon = Daemon(broker, store, *_FLAGS)
    try:
        daemon.wait_for("subscribed")
        until_s, count = time.monotonic() + seconds, 0
        while time.monotonic() < until_s:
            _publish(broker, some := list(islice(uplinks, rng.randrange(5, 80))))
            sent += some
            time.sleep(rng.choice([0.0, 0.0, 0.05, 0.5]))
            broker.stop()
            time.sleep(rng.choice([0.0, 0.2]))
            broker.start()
            count += 1
            may_be_missing = {raw_key(uplink) for uplink in sent} if forgetful else set()
            until(lambda: len(daemon.told("subscribed")) > count, _PATIENCE_S)  # noqa: B023 - called at once
        _publish(broker, some := list(islice(uplinks, 50)))
        sent += some
        drain(daemon)
        assert daemon.terminate() == 0
        summary.connections = len(daemon.told("connected"))
    finally:
        daemon.process.kill()
        broker.stop()
    summary.events = {"restarts": count}
    tell(f"{count} restarts, {len(sent)} uplinks sent")
    return _compared(summary, sent, store, may_be_missing)


def fake(seconds: float, seed: int, folder: Path, *, tell: Callable[[str], None]) -> Summary:
    """Have a broker of our own misbehave in every way it can."""
    summary, rng, store = Summary("fake", seed), random.Random(seed), folder / "b.duckdb"
    registered_store(store).close()
    config = folder / "watch.toml"
    config.write_text("[watch]\ncanary_every_s = 1\ncanary_timeout_s = 1\nreserve_mb = 0\n")
    flags = (*_FLAGS, "--config", str(config))
    broker = FakeBroker(window=rng.choice([5, 20, 100]), leak=rng.choice([0, 20]))
    happenings: dict[str, Callable[[], object]] = {
        "sessions lost": broker.lose_sessions,
        "cuts": broker.cut,
        "cuts in a packet": lambda: broker.cut(in_a_packet=True),
        "repeats": broker.repeat,
        "acknowledgements lost": lambda: broker.be_deaf(rng.randrange(1, 40)),
        "stalls": broker.stall,
    }
    uplinks, sent, events = fleet(seed), [], Counter[str]()
    daemon = Daemon(broker, store, *flags)  # type: ignore[arg-type] # it listens like the other
    try:
        daemon.wait_for("subscribed")
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            until(lambda: broker.subscribed, _PATIENCE_S)
            sent += _to_fake(broker, islice(uplinks, rng.randrange(1, 60)))
            if rng.random() < 0.6:
                _wait_for(lambda: broker.waiting() == 0, 3)
            time.sleep(rng.choice([0.0, 0.0, 0.05, 0.3]))
            if rng.random() < 0.08:
                daemon.kill()
                events["kills"] += 1
                daemon = Daemon(broker, store, *flags)  # type: ignore[arg-type]
                continue
            name = rng.choice(list(happenings))
            happenings[name]()
            events[name] += 1
            if name == "stalls":
                sent += _to_fake(broker, islice(uplinks, 10))
                # Nobody cuts: the daemon has to notice by itself that its own message to itself stays away.
                before = broker.connections
                until(lambda: broker.connections > before, _PATIENCE_S)  # noqa: B023 - called at once
        sent += _to_fake(broker, islice(uplinks, 20))
        # What lost its acknowledgement comes again on the next connection only.
        broker.be_deaf(0)
        broker.cut()
        until(lambda: broker.waiting() == 0, _PATIENCE_S)
        assert daemon.terminate() == 0
    finally:
        daemon.process.kill()
        broker.close()
    summary.events, summary.connections = dict(events), broker.connections
    summary.acknowledged, summary.lost_by_broker = len(broker.acknowledged), len(broker.lost)
    tell(f"{sum(events.values())} events, {len(sent)} uplinks sent")
    acknowledged, lost = set(broker.acknowledged), set(broker.lost)
    may_be_missing = {raw_key(uplink) for uplink in sent if as_bytes(uplink) in lost - acknowledged}
    summary = _compared(summary, sent, store, may_be_missing)
    missing = {raw_key(uplink) for uplink in sent if as_bytes(uplink) in acknowledged} - raw_log(store).keys()
    summary.acknowledged_but_lost = len(missing)
    return summary


def proxy(seconds: float, seed: int, folder: Path, *, tell: Callable[[str], None]) -> Summary:
    """Have the network between the daemon and everybody else delay, crumble and cut."""
    summary, rng, store = Summary("proxy", seed), random.Random(seed), folder / "b.duckdb"
    registered_store(store).close()
    broker, port = _mosquitto(folder, persistence=False), free_port()
    to_broker = TcpProxy(broker.port, seed, longest_delay_s=0.01, crumbs=True)
    to_webhook = TcpProxy(port, seed + 1, longest_delay_s=0.01, crumbs=True)
    url = f"http://127.0.0.1:{to_webhook.port}/uplinks"
    senders = Fleet(broker, seed, per_second=_A_SECOND, webhook=url)
    events = Counter[str]()
    daemon = Daemon(to_broker, store, *_FLAGS, "--webhook-port", str(port))  # type: ignore[arg-type]
    try:
        daemon.wait_for("subscribed")
        senders.start()
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            time.sleep(rng.uniform(0, 1.5))
            between = rng.choice([to_broker, to_webhook])
            name = rng.choice(["cuts", "cuts in a packet", "one direction closed"])
            events[name] += 1
            if name == "cuts":
                between.cut()
            elif name == "cuts in a packet":
                between.cut(rng.randrange(1, 20_000))
            else:
                between.close_half()
        senders.finish()
        drain(daemon)
        assert daemon.terminate() == 0
    finally:
        daemon.process.kill()
        to_broker.close()
        to_webhook.close()
        broker.stop()
    summary.events, summary.connections = dict(events), to_broker.connections + to_webhook.connections
    tell(f"{sum(events.values())} events, {len(senders.sent)} uplinks sent")
    return _compared(summary, senders.sent, store, set())


SCENARIOS: dict[str, Callable[..., Summary]] = {
    "restarts": lambda *told, **more: restarts(*told, forgetful=False, **more),
    "forgetful": lambda *told, **more: restarts(*told, forgetful=True, **more),
    "fake": fake,
    "proxy": proxy,
}


def _wait_for(done: Callable[[], bool], at_most_s: float) -> None:
    until_s = time.monotonic() + at_most_s
    while not done() and time.monotonic() < until_s:
        time.sleep(0.01)


def _mosquitto(folder: Path, *, persistence: bool) -> Mosquitto:
    program = mosquitto_program()
    if program is None:
        raise FileNotFoundError(MISSING)
    broker = Mosquitto(program, folder, persistence=persistence)
    broker.start()
    return broker


def _publish(broker: Mosquitto, uplinks: list[dict[str, Any]]) -> None:
    """Publish; the broker has acknowledged all of them then."""
    with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
        for uplink in uplinks:
            publisher.publish(TOPIC, as_bytes(uplink))


def _to_fake(broker: FakeBroker, uplinks: Iterator[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return those that the broker took: without a subscription it takes none, as no broker does."""
    return [uplink for uplink in uplinks if broker.publish(TOPIC, as_bytes(uplink))]


def _compared(summary: Summary, sent: list[dict[str, Any]], store: Path, may_be_missing: set[Any]) -> Summary:
    for name, count in asdict(compare(sent, store, excused=may_be_missing)).items():
        setattr(summary, name, count)
    return summary


def main() -> int:
    """Run a campaign from the command line; print the summary as JSON."""
    flags = parser(
        "brokers",
        "Brokers that restart, forget and misbehave, and a network that cuts; check that nothing is lost by us.",
        "--scenario fake --seconds 120",
    )
    flags.add_argument("--scenario", choices=tuple(SCENARIOS), default="fake")
    flags.add_argument("--seconds", type=float, default=10)
    told = flags.parse_args()
    return finish(
        lambda folder: SCENARIOS[told.scenario](told.seconds, told.seed, folder, tell=tell),
        broker=told.scenario != "fake",
    )


if __name__ == "__main__":
    sys.exit(main())
