"""Events from the outbox to a real webhook and a real broker: at least once, in order, and never in the way."""

from __future__ import annotations

import io
import json
import signal
import socket
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from loamline.app.ingest import make_log
from loamline.app.problem_watch import ProblemWatch
from loamline.edges.event_delivery import EventDelivery
from loamline.edges.event_receivers import WebhookReceiver
from loamline.edges.store.connection import Store
from loamline.edges.store.outbox import ReceiverState, Waiting, outbox_state
from loamline.edges.store.problem_log import stored_problems
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline.edges.webhook_signature import Guard, NotProvenError, Proof, parse_secret
from loamline_codecs import builtin_codecs
from loamline_schemas.events_settings import EventBrokerSettings, EventsSettings
from tests.support.daemon import until
from tests.support.event_receiver import http_receiver
from tests.support.mosquitto import a_broker, free_port

SECRET = "whsec_" + "QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVo="
OTHER_SECRET = "whsec_" + "WllYV1ZVVFNSUVBPTk1MS0pJSEdGRURDQkE="
STRANGER = "02BB0000000000F"


@pytest.fixture
def receiver():
    with http_receiver() as told:
        yield told


@pytest.fixture
def log():
    return make_log("json", debug=True, file=io.StringIO())


@pytest.fixture
def broker(tmp_path):
    """Yield a broker of its own that a test may stop and start."""
    with a_broker(tmp_path) as mosquitto:
        yield mosquitto


@pytest.fixture
def soil(stores):
    """Yield an open store that no uplink has come to."""
    path = stores.folder / "soil.duckdb"
    with Store.open(path, create=True) as store:
        save_state(store, stores.registry(), "test")
        yield store


def hear(store, stores, *dev_euis, hour=0):
    uplinks = [stores.accepted(stores.v1(dev_eui, hour, 1800)) for dev_eui in dev_euis]
    Writer(store, builtin_codecs()).commit(uplinks, stores.START)


def watch_over(stores, log, settings):
    """Return a watch on a clock that stands an hour after START, whose turns may follow each other at once."""
    return ProblemWatch(settings, log, turn_s=0.0, rests=0.0, clock=lambda: stores.START + timedelta(hours=1))


def settings_of(receiver, **more):
    return EventsSettings(url=receiver.url, longest_pause_s=0.05, settle_minutes=60, **more)


def turning(watch, store, done):
    """Give the watch its turns until something is so."""

    def turned():
        watch.turn(store)
        return done()

    until(turned)


def drained(store):
    return lambda: outbox_state(store).waiting == 0 and outbox_state(store).receiver is not None


def event(seq, subject="probe/A"):
    return Waiting(seq, f"id-{seq}", subject, json.dumps({"subject": subject, "seq": seq}), datetime.now(UTC))


# Webhook ---------------------------------------------------------------------------------------------


def test_an_onset_is_posted_once_as_a_cloudevent_in_structured_mode(soil, stores, log, receiver):
    """CloudEvents 1.0.2 HTTP binding 3.2: structured mode is application/cloudevents+json, the event the whole body."""
    hear(soil, stores, STRANGER + "1")
    watch = watch_over(stores, log, settings_of(receiver, source="/north"))
    turning(watch, soil, drained(soil))
    watch.turn(soil)
    watch.leave(soil)
    (posted,) = receiver.requests
    assert posted.path == "/events"
    assert posted.headers["content-type"] == "application/cloudevents+json"
    assert posted.headers["webhook-id"] == posted.event["id"]
    assert "webhook-signature" not in posted.headers
    told = posted.event
    assert (told["specversion"], told["source"], told["type"]) == ("1.0", "/north", "loamline.problem.began")
    assert (told["subject"], told["data"]["kind"]) == (f"probe/{STRANGER}1", "not registered")


def test_a_post_is_signed_so_that_whoever_knows_the_secret_can_check_it(soil, stores, log, receiver):
    """Standard Webhooks 1.0.0, by the code that checks what comes in: the true secret proves it, another does not."""
    hear(soil, stores, STRANGER + "1")
    watch = watch_over(stores, log, settings_of(receiver, secret=SECRET))
    turning(watch, soil, drained(soil))
    watch.leave(soil)
    (posted,) = receiver.requests
    names = ("webhook-id", "webhook-timestamp", "webhook-signature")
    proof = Proof(None, *(posted.headers[name].encode() for name in names))
    guard = Guard(secrets=(parse_secret(SECRET),))
    assert guard.before_the_body(proof, time.time())
    guard.check_body(proof, posted.body)
    with pytest.raises(NotProvenError):
        Guard(secrets=(parse_secret(OTHER_SECRET),)).check_body(proof, posted.body)


def test_what_was_taken_and_recorded_is_never_sent_again(soil, stores, log, receiver):
    hear(soil, stores, STRANGER + "1")
    for _ in range(2):
        watch = watch_over(stores, log, settings_of(receiver))
        turning(watch, soil, drained(soil))
        for _ in range(3):
            watch.turn(soil)
        watch.leave(soil)
    assert len(receiver.requests) == 1


def test_what_was_taken_while_leaving_is_recorded(soil, stores, log, receiver):
    hear(soil, stores, STRANGER + "1")
    watch = watch_over(stores, log, settings_of(receiver))
    watch.turn(soil)
    until(lambda: receiver.taken)
    watch.leave(soil)
    assert outbox_state(soil).waiting == 0


def test_what_was_taken_but_not_recorded_before_a_kill_comes_again_under_the_same_id(soil, stores, log, receiver):
    hear(soil, stores, STRANGER + "1")
    killed = watch_over(stores, log, settings_of(receiver))
    killed.turn(soil)
    until(lambda: receiver.taken)
    killed.leave(None)
    watch = watch_over(stores, log, settings_of(receiver))
    turning(watch, soil, drained(soil))
    watch.leave(soil)
    assert len(receiver.taken) == 2
    assert len({posted.headers["webhook-id"] for posted in receiver.taken}) == 1


_KILLED = """
import os, signal, sys
from datetime import timedelta
from pathlib import Path
from loamline.edges.store.connection import Store
from loamline.edges.store.problems import Problems
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.conftest import Stores
stores = Stores(Path(sys.argv[1]).parent)
store = Store.open(Path(sys.argv[1]), create=True)
save_state(store, stores.registry(), "test")
Writer(store, builtin_codecs()).commit([stores.accepted(stores.v1(sys.argv[2], 0, 1800))], stores.START)
now = stores.START + timedelta(hours=1)
Problems(store, now, source="/loamline", settle=timedelta(hours=1)).turn(now)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_kill_between_the_commit_and_sending_loses_no_event(stores, log, receiver):
    """The outbox is written in the transaction that changes the problems: both are there, or neither."""
    path = stores.folder / "soil.duckdb"
    left = subprocess.run([sys.executable, "-c", _KILLED, path, STRANGER + "1"], cwd=Path.cwd(), check=False)
    assert left.returncode == -signal.SIGKILL
    assert receiver.requests == []
    with Store.open(path) as store:
        assert len(stored_problems(store)) == outbox_state(store).waiting == 1
        watch = watch_over(stores, log, settings_of(receiver))
        turning(watch, store, drained(store))
        watch.leave(store)
    assert receiver.subjects() == [f"probe/{STRANGER}1"]


def test_a_dead_receiver_holds_no_turn_up_and_is_told_until_it_answers_again(soil, stores, log):
    """A port that accepts and never answers: the worst of them."""
    hear(soil, stores, *(f"{STRANGER}{number}" for number in range(3)))
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen()
        port = deaf.getsockname()[1]
        url = f"http://127.0.0.1:{port}/events"
        settings = EventsSettings(url=url, timeout_s=0.2, longest_pause_s=0.05, settle_minutes=60)
        watch = watch_over(stores, log, settings)
        turning(watch, soil, lambda: (told := outbox_state(soil).receiver) is not None and told.last_error)
        state = outbox_state(soil)
        assert state.waiting == 3
        assert state.receiver.last_error == f"expected {url} to answer, got no answer in time"
        assert state.receiver.failing_since is not None
    with http_receiver(port) as receiver:
        turning(watch, soil, drained(soil))
        watch.leave(soil)
        assert receiver.subjects() == [f"probe/{STRANGER}{number}" for number in range(3)]
    state = outbox_state(soil).receiver
    assert (state.failing_since, state.failures, state.last_error) == (None, 0, None)
    assert state.sent_at is not None


def test_a_receiver_that_is_not_well_gets_every_event_in_order_once_it_is(log, receiver):
    statuses = iter([503, 429, 500, 404])
    receiver.answer = lambda _: next(statuses, 200)
    delivery = EventDelivery(_webhook(receiver), log=log, longest_pause_s=0.02)
    delivery.hand([event(1), event(2, "probe/B"), event(3)])
    delivery.start()
    until(lambda: len(receiver.taken) == 3)
    delivery.close()
    assert [posted.event["seq"] for posted in receiver.taken] == [1, 2, 3]
    assert delivery.taken() == ["id-1", "id-2", "id-3"]
    assert [posted.event["seq"] for posted in receiver.requests] == [1, 1, 1, 1, 1, 2, 3]


def test_an_event_that_is_refused_holds_back_its_own_subject_alone(log, receiver):
    refusing = threading.Event()
    refusing.set()
    receiver.answer = lambda posted: 422 if refusing.is_set() and posted.event["seq"] == 1 else 200
    delivery = EventDelivery(_webhook(receiver), log=log, longest_pause_s=0.02)
    delivery.hand([event(1), event(2), event(3, "probe/B")])
    delivery.start()
    until(lambda: len([posted for posted in receiver.requests if posted.event["seq"] == 1]) > 2)
    assert [posted.event["seq"] for posted in receiver.taken] == [3]
    assert delivery.state.last_error == f"expected {receiver.url} to answer 2xx, got 422 for probe/A"
    refusing.clear()
    until(lambda: len(receiver.taken) == 3)
    delivery.close()
    assert [posted.event["seq"] for posted in receiver.taken] == [3, 1, 2]
    assert delivery.state.failing_since is None


def test_a_receiver_that_asks_for_time_is_left_alone_for_that_long(log, receiver):
    """RFC 9110 10.2.3, Retry-After in seconds."""
    receiver.headers = {"retry-after": "3000"}
    receiver.answer = lambda _: 503
    delivery = EventDelivery(_webhook(receiver), log=log, longest_pause_s=0.001)
    delivery.hand([event(1)])
    delivery.start()
    until(lambda: delivery.state.failures == 1)
    time.sleep(0.2)
    delivery.close()
    assert len(receiver.requests) == 1


def test_a_redirect_is_not_followed_and_counts_as_not_taken(log, receiver):
    receiver.headers = {"location": f"{receiver.url}/elsewhere"}
    receiver.answer = lambda _: 307
    delivery = EventDelivery(_webhook(receiver), log=log, longest_pause_s=60)
    delivery.hand([event(1)])
    delivery.start()
    until(lambda: delivery.state.failures == 1)
    delivery.close()
    assert [posted.path for posted in receiver.requests] == ["/events"]
    assert delivery.taken() == []


def test_events_that_are_handed_again_while_being_sent_or_recorded_go_out_once(log, receiver):
    delivery = EventDelivery(_webhook(receiver), log=log)
    delivery.hand([event(1)])
    delivery.hand([event(1)])
    delivery.start()
    until(lambda: receiver.taken)
    until(lambda: delivery.room == 0)
    delivery.hand([event(1), event(2)])
    until(lambda: len(receiver.taken) == 2)
    delivery.close()
    assert [posted.event["seq"] for posted in receiver.requests] == [1, 2]


def test_an_address_tells_no_key_that_stands_in_its_query():
    receiver = WebhookReceiver("http://127.0.0.1:1/in?key=hidden", secret=None, timeout_s=1, clock=time.time)
    assert receiver.name == "http://127.0.0.1:1/in"


def test_how_another_receiver_did_is_not_held_against_a_new_one(log, receiver):
    old = ReceiverState("http://old.example/", datetime.now(UTC), 9, "expected it to answer")
    assert EventDelivery(_webhook(receiver), log=log, state=old).state == ReceiverState(receiver.url)


def _webhook(receiver):
    return WebhookReceiver(receiver.url, secret=None, timeout_s=5, clock=time.time)


# MQTT ------------------------------------------------------------------------------------------------


@pytest.mark.broker
def test_an_onset_is_published_to_a_topic_with_its_media_type(soil, stores, log, broker):
    """CloudEvents 1.0.2 MQTT binding 3.2: the Content Type property of MQTT 5 tells structured mode."""
    got = []
    listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    subscribed = threading.Event()
    listener.on_connect = lambda client, *_: client.subscribe("site/events", qos=1)
    listener.on_subscribe = lambda *_: subscribed.set()
    listener.on_message = lambda _client, _userdata, message: got.append(message)
    listener.connect(broker.host, broker.port)
    listener.loop_start()
    try:
        assert subscribed.wait(10)
        hear(soil, stores, STRANGER + "1")
        mqtt_settings = EventBrokerSettings(host=broker.host, port=broker.port, topic="site/events")
        watch = watch_over(stores, log, EventsSettings(mqtt=mqtt_settings, settle_minutes=60))
        turning(watch, soil, drained(soil))
        until(lambda: got)
        watch.leave(soil)
    finally:
        listener.disconnect()
        listener.loop_stop()
    (message,) = got
    assert message.properties.ContentType == "application/cloudevents+json"
    assert json.loads(message.payload)["subject"] == f"probe/{STRANGER}1"


@pytest.mark.broker
def test_a_broker_that_is_away_gets_the_event_when_it_is_back(soil, stores, log, broker):
    broker.stop()
    hear(soil, stores, STRANGER + "1")
    settings = EventsSettings(
        mqtt=EventBrokerSettings(host=broker.host, port=broker.port), longest_pause_s=0.1, settle_minutes=60
    )
    watch = watch_over(stores, log, settings)
    turning(watch, soil, lambda: (told := outbox_state(soil).receiver) is not None and told.failing_since)
    broker.start()
    turning(watch, soil, drained(soil))
    watch.leave(soil)
    assert outbox_state(soil).receiver.failing_since is None


def test_without_a_receiver_problems_are_noted_and_no_event_is_made(soil, stores, log):
    hear(soil, stores, STRANGER + "1")
    watch = watch_over(stores, log, EventsSettings(settle_minutes=60))
    watch.turn(soil)
    watch.leave(soil)
    assert [one.kind for one in stored_problems(soil)] == ["not registered"]
    assert outbox_state(soil).waiting == 0


def test_a_port_that_nobody_listens_on_is_told_with_its_address(log):
    url = f"http://127.0.0.1:{free_port()}/in"
    delivery = EventDelivery(WebhookReceiver(url, secret=None, timeout_s=5, clock=time.time), log=log)
    delivery.hand([event(1)])
    delivery.start()
    until(lambda: delivery.state.failures)
    delivery.close()
    assert delivery.state.last_error == f"expected {url} to answer, got [Errno 111] Connection refused"
