"""The subscription over MQTT, against a real broker: what is acknowledged is stored, what isn't comes again."""

from __future__ import annotations

import io
import random
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, Literal

import pytest
from pydantic import ValidationError

from loamline.app.ingest import make_log
from loamline.edges.inbox import Delivery
from loamline.edges.mqtt import MqttError, Subscriber
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store
from loamline_schemas.settings import BatchSettings, BrokerSettings
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import Mosquitto, a_broker
from tests.support.uplinks import as_bytes, fleet, import_at_once, raw_key, raw_log, readings, registered_store

pytestmark = pytest.mark.broker

TOPIC = "loamline/uplinks/test"
CLIENT = "loamline-test"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker that forgets its sessions when it stops."""
    with a_broker(tmp_path) as running:
        yield running


def a_subscriber(broker: Mosquitto, log: io.StringIO | None = None, **options: Any) -> Subscriber:
    protocol: Literal["5", "3.1.1"] = options.pop("protocol", "5")
    batch = options.pop("batch", BatchSettings(messages=50, milliseconds=20))
    settings = BrokerSettings(host=broker.host, port=broker.port, client_id=CLIENT, protocol=protocol, keepalive_s=10)
    return Subscriber(broker=settings, batch=batch, log=make_log("json", file=log or io.StringIO()), **options)


def subscribed(broker: Mosquitto, **options: Any) -> tuple[Subscriber, io.StringIO]:
    """Return a subscriber whose subscription the broker has granted, and its log."""
    log = io.StringIO()
    subscriber = a_subscriber(broker, log, **options)
    subscriber.start()
    until(lambda: '"subscribed"' in log.getvalue())
    return subscriber, log


def receive(subscriber: Subscriber, count: int, *, acknowledge: bool = False) -> list[Delivery]:
    """Receive until `count` messages are there, at once where the broker sends so many ahead of acknowledgement."""
    got: list[Delivery] = []
    for _ in range(100):
        batch = subscriber.receive(0.2)
        got += batch
        if acknowledge:
            subscriber.acknowledge(batch)
        if len(got) >= count:
            return got
    raise AssertionError(f"expected {count} messages, got {len(got)}")


def leave(subscriber: Subscriber, broker: Mosquitto) -> None:
    """Close, and wait until the broker has read all of it: a new connection could overtake the acknowledgements."""
    before = broker.goodbyes(CLIENT)
    subscriber.close()
    until(lambda: broker.goodbyes(CLIENT) == before + 1)


def publish(broker: Mosquitto, bodies: list[bytes]) -> None:
    with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
        for body in bodies:
            publisher.publish(TOPIC, body)


def numbered(first: int, last: int) -> list[bytes]:
    return [str(number).encode() for number in range(first, last + 1)]


def bodies(deliveries: list[Delivery]) -> list[bytes]:
    return [delivery.payload for delivery in deliveries]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_was_published_while_the_daemon_was_away_is_delivered_after(broker: Mosquitto, protocol: str) -> None:
    """The broker keeps the session: under MQTT 5 by its expiry interval, under 3.1.1 by clean_session off."""
    subscribed(broker, protocol=protocol)[0].close()
    publish(broker, numbered(1, 30))
    subscriber, log = subscribed(broker, protocol=protocol)
    assert '"session": "resumed"' in log.getvalue()
    assert bodies(receive(subscriber, 30, acknowledge=True)) == numbered(1, 30)
    subscriber.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_was_acknowledged_does_not_come_again(broker: Mosquitto, protocol: str) -> None:
    """Acknowledgements are on the wire before the goodbye; what was not acknowledged comes first next time."""
    subscriber, _ = subscribed(broker, protocol=protocol)
    publish(broker, numbered(1, 18))
    got = receive(subscriber, 18)
    assert subscriber.acknowledge(got[:11]) == 11
    leave(subscriber, broker)
    subscriber, _ = subscribed(broker, protocol=protocol)
    assert bodies(receive(subscriber, 7)) == numbered(12, 18)
    subscriber.close()


def test_an_acknowledgement_of_a_lost_session_is_not_sent(broker: Mosquitto) -> None:
    """Packet ids start anew with a new session: an old acknowledgement would swallow a new message."""
    subscriber, log = subscribed(broker)
    publish(broker, numbered(1, 3))
    old = receive(subscriber, 3)
    broker.stop()
    until(lambda: not subscriber.connected)
    broker.start()
    until(lambda: log.getvalue().count('"subscribed"') == 2)
    assert "the broker lost our session" in log.getvalue()
    publish(broker, numbered(11, 13))
    new = receive(subscriber, 3)
    assert [delivery.mid for delivery in new] == [delivery.mid for delivery in old]
    assert subscriber.acknowledge(old) == 0
    subscriber.close()
    subscriber, _ = subscribed(broker)
    assert bodies(receive(subscriber, 3)) == numbered(11, 13)
    subscriber.close()


def test_a_full_queue_hangs_up_and_comes_back_when_it_is_drained(broker: Mosquitto) -> None:
    """The network thread never waits longer than it may; the rest waits at the broker, and nothing is lost."""
    batch = BatchSettings(messages=5, milliseconds=1, queue_messages=10)
    # Under MQTT 3.1.1 the broker alone decides how many it sends ahead of acknowledgement: 20.
    subscriber, log = subscribed(broker, batch=batch, longest_wait_s=0.05, protocol="3.1.1")
    publish(broker, numbered(1, 60))
    until(lambda: "queue full" in log.getvalue())
    until(lambda: not subscriber.connected)
    got: set[bytes] = set()
    for _ in range(400):
        received = subscriber.receive(0.05)
        subscriber.acknowledge(received)
        got |= set(bodies(received))
        if len(got) == 60:
            break
    assert got == set(numbered(1, 60))
    assert "queue drained" in log.getvalue()
    subscriber.close()


def test_a_broker_that_is_away_at_the_start_is_waited_for(broker: Mosquitto) -> None:
    """The daemon may start before the broker."""
    broker.stop()
    log = io.StringIO()
    subscriber = a_subscriber(broker, log)
    subscriber.start()
    until(lambda: "broker unreachable" in log.getvalue())
    assert "Connection refused" in log.getvalue()
    broker.start()
    until(lambda: '"subscribed"' in log.getvalue())
    subscriber.close()


class WithADefect(Subscriber):
    """A subscriber that breaks on one message, as a programming error would."""

    def _on_message(self, client: Any, _userdata: Any, message: Any) -> None:
        if message.payload == b"2":
            raise ZeroDivisionError("a defect")
        super()._on_message(client, _userdata, message)


def test_a_defect_in_a_callback_costs_no_connection_and_no_message(broker: Mosquitto) -> None:
    """paho's thread would end with the exception and stay connected, deaf; here it is told, and the message kept."""
    log = io.StringIO()
    settings = BrokerSettings(host=broker.host, port=broker.port, client_id=CLIENT)
    subscriber = WithADefect(broker=settings, batch=BatchSettings(), log=make_log("json", file=log))
    subscriber.start()
    until(lambda: subscriber.subscribed)
    publish(broker, numbered(1, 3))
    got = receive(subscriber, 2)
    assert bodies(got) == [b"1", b"3"]
    assert "defect in a callback, please report this" in log.getvalue()
    assert "a defect" in log.getvalue()
    subscriber.acknowledge(got)
    leave(subscriber, broker)
    mended, _ = subscribed(broker)
    assert bodies(receive(mended, 1)) == [b"2"]
    mended.close()


def test_a_broker_that_just_hangs_up_is_told_with_what_to_check() -> None:
    """So do brokers that miss a client certificate or TLS; they say nothing of it."""
    log = io.StringIO()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        settings = BrokerSettings(port=listener.getsockname()[1])
        subscriber = Subscriber(broker=settings, batch=BatchSettings(), log=make_log("json", file=log))
        subscriber.start()
        listener.accept()[0].close()
        until(lambda: "broker hung up before it accepted us" in log.getvalue())
    assert "check the port, TLS on both sides, the client certificate and the MQTT version" in log.getvalue()
    subscriber.close()


def test_a_shared_subscription_is_refused() -> None:
    """A dead member of a share keeps its part of the messages, so the settings refuse it."""
    with pytest.raises(ValidationError, match="a dead member of a share keeps its part"):
        BrokerSettings(topics=("$share/group/loamline/uplinks/#",))


def test_unreadable_tls_files_are_told_by_name(tmp_path: Path) -> None:
    """A wrong path is told before anything connects."""
    settings = BrokerSettings(ca_file=tmp_path / "absent.pem")
    subscriber = Subscriber(broker=settings, batch=BatchSettings(), log=make_log("json", file=io.StringIO()))
    with pytest.raises(MqttError, match=r"expected readable PEM files for TLS, got .* from .*absent\.pem"):
        subscriber.start()


def uplinks(count: int, seed: int = 1) -> list[dict[str, Any]]:
    return list(islice(fleet(seed), count))


DIES_BEFORE_ACKNOWLEDGING = f"""
import os, signal, sys
from pathlib import Path
from loamline.app.ingest import Ingest, make_log
from loamline.edges.mqtt import Subscriber
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import BatchSettings, BrokerSettings

class Dies(Subscriber):
    def acknowledge(self, deliveries):
        os.kill(os.getpid(), signal.SIGKILL)

log = make_log("json")
broker = BrokerSettings(port=int(sys.argv[1]), client_id="{CLIENT}")
source = Dies(broker=broker, batch=BatchSettings(), log=log)
Ingest(store=Path(sys.argv[2]), codecs=builtin_codecs(), source=source, log=log).run()
"""


def test_killed_between_commit_and_acknowledgement_it_comes_again_and_is_stored_once(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """The next life counts the redelivered messages as duplicates."""
    subscribed(broker)[0].close()
    sent = uplinks(20)
    publish(broker, [as_bytes(uplink) for uplink in sent])
    store = tmp_path / "s.duckdb"
    died = subprocess.run([sys.executable, "-c", DIES_BEFORE_ACKNOWLEDGING, str(broker.port), str(store)], check=False)
    assert died.returncode == -signal.SIGKILL
    stored_before = raw_log(store)
    assert stored_before
    daemon = Daemon(broker, store, "--client-id", CLIENT)
    until(lambda: daemon.committed("read") == 20)
    assert daemon.terminate() == 0
    assert daemon.committed("duplicates") == sum(stored_before.values())
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


def test_an_unreadable_message_is_kept_acknowledged_and_told(broker: Mosquitto, tmp_path: Path) -> None:
    """It costs the others nothing, and is not delivered again."""
    store = tmp_path / "s.duckdb"
    sent = uplinks(2)
    nameless = as_bytes({**sent[0], "dev_eui": 7})
    daemon = Daemon(broker, store)
    daemon.wait_for("subscribed")
    publish(broker, [as_bytes(sent[0]), nameless, b"\xff\x00", as_bytes(sent[1])])
    until(lambda: daemon.committed("read") == 4)
    assert daemon.terminate() == 0
    assert daemon.committed("unreadable") == 2
    sentences = [line["sentence"] for line in daemon.told("rejected")]
    assert sentences[0] == f"{TOPIC}: dev_eui: expected text, got 7"
    assert sentences[1].startswith(f"{TOPIC}: expected JSON, got ")
    with Store.open(store) as opened:
        kept = opened.con.sql("SELECT content FROM rejected_message").fetchall()
    assert {bytes(content) for (content,) in kept} == {nameless, b"\xff\x00"}
    again = Daemon(broker, store)
    again.wait_for("subscribed")
    assert again.terminate() == 0
    assert again.told("stopped")[0]["read"] == 0
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


def test_a_list_of_uplinks_in_one_message(broker: Mosquitto, tmp_path: Path) -> None:
    """Each item stands for itself; the message is acknowledged once all are committed."""
    store = tmp_path / "s.duckdb"
    sent = uplinks(5)
    daemon = Daemon(broker, store)
    daemon.wait_for("subscribed")
    publish(broker, [b"[" + b",".join([*map(as_bytes, sent[:4]), b"17"]) + b"]", as_bytes(sent[4])])
    until(lambda: daemon.committed("read") == 6)
    assert daemon.terminate() == 0
    assert sum(line["acknowledged"] for line in daemon.told("committed")) == 2
    assert [line["sentence"] for line in daemon.told("rejected")] == [f"{TOPIC}[4]: expected an object, got 17"]
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_leaves_with_0_and_everything_committed(
    broker: Mosquitto, tmp_path: Path, number: signal.Signals
) -> None:
    """What it took it stores; what it did not take comes at the next start; in sum all of it, once."""
    store = tmp_path / "s.duckdb"
    sent = uplinks(400)
    daemon = Daemon(broker, store, "--batch-messages", "20")
    daemon.wait_for("subscribed")
    publish(broker, [as_bytes(uplink) for uplink in sent])
    assert daemon.terminate(number) == 0
    stopped = daemon.told("stopped")[0]
    assert stopped["read"] == daemon.committed("read") == sum(raw_log(store).values())
    again = Daemon(broker, store)
    # The first may have stored all of it; a signal counts once the second one is there to hear it.
    again.wait_for("subscribed")
    until(lambda: again.committed("read") + stopped["read"] >= 400)
    assert again.terminate() == 0
    assert again.committed("duplicates") == 0
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_uplinks_over_mqtt_give_the_readings_of_a_file(broker: Mosquitto, tmp_path: Path, protocol: str) -> None:
    """Shuffled and partly sent twice over a real broker, they come to what one import in order comes to."""
    rng = random.Random(int(protocol[0]))
    sent = uplinks(600, seed=int(protocol[0]))
    import_at_once(tmp_path / "file.duckdb", sent)
    store = tmp_path / "mqtt.duckdb"
    registered_store(store).close()
    shuffled = [*sent, *rng.sample(sent, 60)]
    rng.shuffle(shuffled)
    daemon = Daemon(broker, store, "--protocol", protocol, "--batch-messages", "150")
    daemon.wait_for("subscribed")
    publish(broker, [as_bytes(uplink) for uplink in shuffled])
    until(lambda: daemon.committed("read") == 660)
    assert daemon.terminate() == 0
    assert daemon.committed("duplicates") == 60
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}
    expected = readings(tmp_path / "file.duckdb")
    assert expected.num_rows > 600
    assert readings(store).equals(expected)
