"""The demo's own broker and publisher, in one process with the subscriber."""

from __future__ import annotations

import io
import logging
from contextlib import ExitStack

import pytest

from loamline.app.ingest import make_log
from loamline.edges.embedded_broker import EmbeddedBroker
from loamline.edges.inbox import Delivery
from loamline.edges.mqtt import Subscriber
from loamline.edges.publisher import Publisher, PublishError
from loamline_schemas.settings import BatchSettings, BrokerSettings
from tests.support.daemon import until
from tests.support.mosquitto import free_port


def a_subscriber(broker: EmbeddedBroker, log: io.StringIO) -> Subscriber:
    settings = BrokerSettings(host=broker.host, port=broker.port, protocol="3.1.1")
    return Subscriber(broker=settings, batch=BatchSettings(), log=make_log("json", file=log))


def receive(subscriber: Subscriber, count: int) -> list[Delivery]:
    got: list[Delivery] = []
    for _ in range(100):
        batch = subscriber.receive(0.2)
        subscriber.acknowledge(batch)
        got += batch
        if len(got) >= count:
            return got
    raise AssertionError(f"expected {count} messages, got {len(got)}")


def test_the_embedded_broker_carries_messages_from_publisher_to_subscriber() -> None:
    """MQTT 3.1.1, QoS 1, in order, more of them than the publisher's window."""
    log = io.StringIO()
    with EmbeddedBroker() as broker:
        subscriber = a_subscriber(broker, log)
        subscriber.start()
        until(lambda: '"subscribed"' in log.getvalue())
        with Publisher(host=broker.host, port=broker.port, window=10) as publisher:
            for number in range(200):
                publisher.publish("loamline/uplinks/demo", str(number).encode())
        got = receive(subscriber, 200)
        assert [int(delivery.payload) for delivery in got] == list(range(200))
        assert {delivery.topic for delivery in got} == {"loamline/uplinks/demo"}
        subscriber.close()


def test_the_embedded_broker_is_quiet_and_leaves_logging_as_it_was(
    caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    """Its library logs every packet; a demo must not."""
    before = logging.getLogger("amqtt").level
    log = io.StringIO()
    with EmbeddedBroker() as broker:
        subscriber = a_subscriber(broker, log)
        subscriber.start()
        until(lambda: '"subscribed"' in log.getvalue())
        subscriber.close()
    assert [record for record in caplog.records if record.name.startswith(("amqtt", "transitions"))] == []
    assert capfd.readouterr() == ("", "")
    assert logging.getLogger("amqtt").level == before


def test_two_embedded_brokers_do_not_meet() -> None:
    """Each takes a free port of its own."""
    with EmbeddedBroker() as one, EmbeddedBroker() as other:
        assert one.port != other.port


def test_a_publisher_without_a_broker_says_what_it_expected() -> None:
    """One sentence, with the address."""
    port = free_port()
    with (
        pytest.raises(PublishError, match=f"expected an MQTT broker at 127.0.0.1:{port}, got .*refused.*; start it"),
        Publisher(host="127.0.0.1", port=port),
    ):
        pass


def test_a_publisher_without_acknowledgements_gives_up_with_a_sentence() -> None:
    """A broker that is gone is told, not waited for without end; leaving the context waits for the last of them."""

    def publish_into_the_void() -> None:
        with ExitStack() as until_gone:
            broker = until_gone.enter_context(EmbeddedBroker())
            with Publisher(host=broker.host, port=broker.port, patience_s=0.5) as publisher:
                publisher.publish("loamline/uplinks/demo", b"1")
                publisher.flush()
                until_gone.close()
                publisher.publish("loamline/uplinks/demo", b"2")

    with pytest.raises(PublishError, match=r"expected the last acknowledgements within 0\.5 s, got none"):
        publish_into_the_void()
