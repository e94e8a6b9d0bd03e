"""Brokers that restart and misbehave, and a network that cuts; the long forms are `python -m tests.faults.brokers`."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest

from loamline.app.ingest import make_log
from loamline.edges.inbox import Delivery
from loamline.edges.mqtt import Subscriber
from loamline_schemas.settings import BatchSettings, BrokerSettings
from tests.faults.brokers import SCENARIOS
from tests.faults.fake_broker import FakeBroker
from tests.support.daemon import until
from tests.support.mosquitto import MISSING, mosquitto_program

TOPIC = "loamline/uplinks/x"


@pytest.mark.broker
@pytest.mark.parametrize(("scenario", "seconds"), [("restarts", 3), ("forgetful", 3), ("fake", 5), ("proxy", 5)])
def test_nothing_is_lost_but_what_a_broker_loses(tmp_path: Path, scenario: str, seconds: float) -> None:
    if mosquitto_program() is None:
        pytest.skip(MISSING)
    summary = SCENARIOS[scenario](seconds, 20260110, tmp_path, tell=lambda _: None)
    assert summary.sound, summary
    assert sum(summary.events.values()) > 0
    assert summary.stored > 20
    assert (summary.lost_by_broker == 0) or scenario == "fake"


@pytest.fixture
def broker() -> Iterator[FakeBroker]:
    """A broker of our own that sends three messages ahead of acknowledgement."""
    made = FakeBroker(window=3)
    yield made
    made.close()


@pytest.fixture
def subscriber(broker: FakeBroker) -> Iterator[Subscriber]:
    """A subscriber to it, subscribed."""
    yield from _subscriber(broker)


def _subscriber(broker: FakeBroker, protocol: Literal["5", "3.1.1"] = "5", **batch: int) -> Iterator[Subscriber]:
    made = Subscriber(
        broker=BrokerSettings(host=broker.host, port=broker.port, client_id="c", protocol=protocol, keepalive_s=10),
        batch=BatchSettings(**{"messages": 50, "milliseconds": 5, **batch}),
        log=make_log("json", file=io.StringIO()),
        longest_wait_s=0.2,
    )
    made.start()
    until(lambda: broker.subscribed)
    yield made
    made.close()


def _received(subscriber: Subscriber, count: int) -> list[Delivery]:
    got: list[Delivery] = []
    until(lambda: got.extend(subscriber.receive(0.1)) or len(got) >= count)
    return got


def _publish(broker: FakeBroker, *names: bytes) -> None:
    until(lambda: broker.subscribed)
    for name in names:
        assert broker.publish(TOPIC, name)


def test_packet_ids_that_start_anew_are_not_acknowledged_by_what_came_before(
    broker: FakeBroker, subscriber: Subscriber
) -> None:
    """The session is lost with three messages unacknowledged; the next three have their packet ids (MQTT 5, 2.2.1)."""
    _publish(broker, b"1", b"2", b"3")
    earlier = _received(subscriber, 3)
    broker.lose_sessions()
    _publish(broker, b"4", b"5", b"6")
    later = _received(subscriber, 3)
    assert [told.mid for told in later] == [told.mid for told in earlier]
    assert subscriber.acknowledge(earlier) == 0
    assert subscriber.acknowledge(later[:1]) == 1
    subscriber.close()
    until(lambda: not broker.subscribed)  # it has read all that came before the goodbye
    assert broker.acknowledged == [b"4"]
    assert broker.unacknowledged() == 2


def test_what_lost_its_acknowledgement_comes_again(broker: FakeBroker, subscriber: Subscriber) -> None:
    _publish(broker, b"1", b"2")
    broker.be_deaf(1)
    assert subscriber.acknowledge(_received(subscriber, 2)) == 2
    until(lambda: broker.acknowledged == [b"2"])
    broker.cut(in_a_packet=True)
    assert [told.payload for told in _received(subscriber, 1)] == [b"1"]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_window_that_leaks_does_not_fill_memory_and_nothing_of_it_is_lost(protocol: Literal["5", "3.1.1"]) -> None:
    """Each acknowledgement releases twenty more (seen with a broker in wide use); the queue here takes sixteen."""
    broker = FakeBroker(window=5, leak=20)
    names = [b"%d" % number for number in range(150)]
    subscribers = _subscriber(broker, protocol, messages=4, queue_messages=16)
    subscriber = next(subscribers)
    _publish(broker, *names)
    longest = 0

    def all_acknowledged() -> bool:
        nonlocal longest
        longest = max(longest, len(subscriber._inbox))
        subscriber.acknowledge(subscriber.receive(0.05))
        return broker.waiting() == 0

    until(all_acknowledged, within_s=60)
    assert sorted(broker.acknowledged) == sorted(names)
    assert longest <= 16
    subscribers.close()
    broker.close()
