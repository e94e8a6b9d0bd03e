"""The canary: a way in that only looks open is found out, and nothing else is taken for one."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import pytest

from loamline.app.ingest import make_log
from loamline.edges.inbox import Delivery
from loamline.edges.mqtt import Subscriber
from loamline.edges.mqtt_canary import Canary
from loamline.edges.mqtt_client import Backoff
from loamline.edges.mqtt_filters import KnownFilters
from loamline.edges.publisher import Publisher
from loamline_schemas.settings import BatchSettings, BrokerSettings, WatchSettings
from tests.support.daemon import until
from tests.support.mosquitto import Mosquitto, a_broker
from tests.support.proxy import Proxy, a_proxy

CLIENT = "field/1"
TOPIC = "loamline/uplinks/test"
QUICK = WatchSettings(canary_every_s=0.2, canary_timeout_s=0.5)
Protocol = Literal["5", "3.1.1"]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with a_broker(tmp_path) as running:
        yield running


@pytest.fixture
def denying(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker that lets everybody have uplinks, and nothing else."""
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite loamline/uplinks/#\n")
    rules.chmod(0o600)
    with a_broker(tmp_path, more=[f"acl_file {rules}"]) as running:
        yield running


class Watched:
    """A subscriber with a quick canary, and all that it received."""

    def __init__(self, broker: Mosquitto | Proxy, *, protocol: Protocol = "5", **settings: Any) -> None:
        self.log = io.StringIO()
        self.canary = Canary(QUICK, CLIENT)
        filters = settings.pop("filters", None)
        told = BrokerSettings(host=broker.host, port=broker.port, client_id=CLIENT, protocol=protocol, **settings)
        log = make_log("json", file=self.log)
        self.subscriber = Subscriber(broker=told, batch=BatchSettings(), log=log, canary=self.canary, filters=filters)
        self.got: list[Delivery] = []

    def start(self) -> None:
        self.subscriber.start()
        self.until(lambda: self.subscriber.subscribed)

    def turn(self) -> None:
        """Receive and acknowledge, as the thread that stores does."""
        batch = self.subscriber.receive(0.02)
        self.subscriber.acknowledge(batch)
        self.got += batch

    def until(self, done: Any, within_s: float = 20) -> None:
        """Turn until `done()`."""

        def turned() -> bool:
            self.turn()
            return bool(done())

        until(turned, within_s)

    def told(self, event: str) -> int:
        return self.log.getvalue().count(f'"event": "{event}"')

    @property
    def bodies(self) -> list[bytes]:
        return [delivery.payload for delivery in self.got if not self.canary.is_one(delivery.topic)]


@pytest.fixture
def watched() -> Iterator[Any]:
    made: list[Watched] = []

    def make(*arguments: Any, **options: Any) -> Watched:
        made.append(Watched(*arguments, **options))
        return made[-1]

    yield make
    for one in made:
        one.subscriber.close()


def publish(broker: Mosquitto, topic: str, *bodies: bytes) -> None:
    with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
        for body in bodies:
            publisher.publish(topic, body)


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_canary_comes_back_and_holds_no_uplink(broker: Mosquitto, watched: Any, protocol: Protocol) -> None:
    """Again and again, on the connection that stands, also where a wide topic filter takes canaries in twice."""
    one = watched(broker, protocol=protocol, topics=("loamline/#",))
    one.start()
    one.until(lambda: one.canary.round_trip_s is not None)
    first = {delivery.payload for delivery in one.got}
    one.until(lambda: len({delivery.payload for delivery in one.got}) > len(first) + 1)
    assert all(delivery.reader(delivery.payload, delivery.topic) == [] for delivery in one.got)
    assert one.canary.lost == 0
    assert one.told("connected") == 1
    assert one.subscriber.state()["open"]


@pytest.mark.broker
def test_another_daemons_canary_is_no_message(broker: Mosquitto, watched: Any) -> None:
    """Of whatever client id: it says nothing of our way in, and is no rejected message either."""
    one = watched(broker, topics=("loamline/#",))
    one.start()
    publish(broker, "loamline/canary/field%2F2", b"9999999")
    publish(broker, TOPIC, b"an uplink")
    one.until(lambda: b"an uplink" in one.bodies)
    assert one.bodies == [b"an uplink"]


@pytest.mark.broker
def test_a_connection_that_went_deaf_is_given_up_and_what_waited_comes(broker: Mosquitto, watched: Any) -> None:
    """The socket stands and paho is content until its keepalive lapses; the canary knows earlier."""
    with a_proxy((broker.host, broker.port)) as proxy:
        one = watched(proxy, keepalive_s=600)
        one.start()
        one.until(lambda: one.canary.round_trip_s is not None)
        proxy.deaf.set()
        publish(broker, TOPIC, b"unheard")
        one.until(lambda: one.told("canary not back, connecting again") == 1)
        assert not one.subscriber.state()["open"]
        proxy.deaf.clear()
        one.until(lambda: b"unheard" in one.bodies)
        one.until(lambda: one.told("canary back") == 1)
        assert proxy.connections == 2
        assert one.canary.lost == 1
        assert one.subscriber.state()["open"]


@pytest.mark.broker
def test_a_denial_that_the_broker_keeps_to_itself_is_told_and_does_not_become_a_storm(
    denying: Mosquitto, watched: Any
) -> None:
    """MQTT 3.1.1 has no word for it; mosquitto 2.0.11 hangs up (seen). Canaries get rarer, and uplinks come."""
    one = watched(denying, protocol="3.1.1")
    one.start()
    one.until(lambda: one.told("the connection ended with a canary on its way") == 2)
    assert "may we, to loamline/canary/field%2F1?" in one.log.getvalue()
    assert not one.subscriber.state()["open"]
    one.until(lambda: one.told("connected") == 3)
    publish(denying, TOPIC, b"still comes")
    one.until(lambda: b"still comes" in one.bodies)


@pytest.mark.broker
def test_a_denial_that_the_broker_tells_grounds_the_canary(denying: Mosquitto, watched: Any) -> None:
    """MQTT 5 has a reason code for it (135, not authorized); connecting again, or sending another, would not help."""
    one = watched(denying)
    one.start()
    one.until(lambda: one.told("broker takes no canary") == 1)
    assert "Not authorized" in one.log.getvalue()
    publish(denying, TOPIC, b"still comes")
    one.until(lambda: b"still comes" in one.bodies)
    one.canary.granted()
    assert one.canary.due() is None


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_network_thread_that_ended_is_noticed_and_started_again() -> None:
    """A host name that no resolver takes raises in paho's thread, which ends without a word to anybody."""
    log = io.StringIO()
    settings = BrokerSettings(host="no..host")
    subscriber = Subscriber(broker=settings, batch=BatchSettings(), log=make_log("json", file=log))
    subscriber.start()

    def again() -> bool:
        subscriber.receive(0.01)
        return log.getvalue().count("network thread ended, please report this") == 2

    until(again)
    assert "connecting again after the network thread ended" in log.getvalue()
    subscriber.close()


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_topic_filter_that_is_no_longer_told_is_unsubscribed(
    broker: Mosquitto, watched: Any, protocol: Protocol, tmp_path: Path
) -> None:
    """The session outlives the daemon and keeps it otherwise."""
    noted = tmp_path / "subscriptions"
    before = watched(broker, protocol=protocol, topics=("old/#", TOPIC), filters=KnownFilters(noted))
    before.start()
    publish(broker, "old/1", b"then")
    before.until(lambda: before.bodies == [b"then"])
    before.subscriber.close()
    after = watched(broker, protocol=protocol, topics=(TOPIC,), filters=KnownFilters(noted))
    after.start()
    publish(broker, "old/1", b"now")
    publish(broker, TOPIC, b"wanted")
    after.until(lambda: b"wanted" in after.bodies)
    assert after.bodies == [b"wanted"]
    assert KnownFilters(noted).of(f"mqtt 127.0.0.1:{broker.port} as {CLIENT}") == {TOPIC, after.canary.topic}


def test_an_unreadable_note_of_filters_is_no_error(tmp_path: Path) -> None:
    """It costs an unsubscription at most."""
    noted = tmp_path / "subscriptions"
    for content in (b"\xff", b"[]", b'{"a": 1}', b'{"a": ["b"]'):
        noted.write_bytes(content)
        assert KnownFilters(noted).of("a") == set()


# --- one canary at a time, by a clock of our own ------------------------------------------------------------------


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def canary(clock: Clock) -> Canary:
    return Canary(WatchSettings(canary_every_s=30, canary_timeout_s=10), CLIENT, clock)


def test_it_is_sent_once_the_subscription_stands_and_every_30_s_from_then_on(canary: Canary, clock: Clock) -> None:
    assert canary.due() is None
    canary.granted()
    first = canary.due()
    assert first is not None
    assert canary.due() is None
    clock.now = 2
    assert canary.heard(first)
    assert canary.round_trip_s == 2
    clock.now = 29.9
    assert canary.due() is None
    clock.now = 30
    assert canary.due() not in {None, first}


def test_what_waits_behind_a_backlog_is_late_and_not_lost(canary: Canary, clock: Clock) -> None:
    """As long as anything comes, the way in is open; as long as we store, it is we who are slow."""
    canary.granted()
    sent = canary.due()
    for clock.now in range(0, 600, 9):
        canary.traffic()
        assert canary.overdue(0) is None
    for clock.now in range(600, 1200, 60):
        assert canary.overdue(500) is None
    clock.now += 9.9
    assert canary.overdue(0) is None
    clock.now += 0.2
    assert canary.overdue(0) == pytest.approx(clock.now)
    assert canary.missing
    assert sent is not None
    assert not canary.heard(sent)


def test_one_that_is_lost_again_and_again_is_sent_less_and_less_often(canary: Canary, clock: Clock) -> None:
    """A denial that nobody mends must not cost a connection every 40 s; one that comes back ends that."""
    waits = []
    for _ in range(7):
        canary.granted()
        begun = clock.now
        while canary.due() is None:
            clock.now += 1
        waits.append(clock.now - begun)
        clock.now += 11
        assert canary.overdue(0) is not None
    assert waits == [0, 30, 60, 120, 240, 240, 240]
    canary.granted()
    clock.now += 240
    back = canary.due()
    assert back is not None
    assert canary.heard(back)
    assert not canary.missing
    assert canary.lost == 7


def test_an_old_one_proves_nothing(canary: Canary, clock: Clock) -> None:
    """It may have waited in the session through a restart."""
    canary.granted()
    old = canary.due()
    assert old is not None
    canary.ended()
    assert not canary.heard(old)
    canary.granted()
    clock.now = 30
    assert canary.due() not in {None, old}


def test_waits_double_up_to_half_a_minute_and_are_never_quite_the_same() -> None:
    """So that the many who lost one broker do not come back in step."""
    many = []
    for _ in range(50):
        backoff = Backoff()
        many.append([backoff.next_s() for _ in range(8)])
        for wait_s, most_s in zip(many[-1], [1, 2, 4, 8, 16, 30, 30, 30], strict=True):
            assert most_s / 2 <= wait_s <= most_s
        backoff.reset()
        assert backoff.next_s() <= 1
    assert len({waits[5] for waits in many}) > 40
