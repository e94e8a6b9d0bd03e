"""Settled readings to a real webhook and a real broker: at least once, and never in the way."""

from __future__ import annotations

import json
import socket
import threading
from datetime import timedelta

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from loamline.edges.store.connection import Store
from loamline.edges.store.feed_state import feed_states
from loamline.edges.store.writer import Writer
from loamline_schemas.feed_settings import FeedBrokerSettings
from tests.edges.feed.given import (
    CODECS,
    a_feed,
    bodies,
    commit,
    hours,
    keep_last,
    standing,
    tending,
    told_all,
    turning,
)
from tests.support.daemon import until
from tests.support.mosquitto import a_broker

# Resuming ---------------------------------------------------------------------------------------------


def test_what_was_taken_but_not_recorded_comes_again_under_the_same_id(soil, stores, clock, receiver):
    """As a kill between the answer and its record has it."""
    commit(soil, stores, *hours(stores, 0, 1))
    clock.at(20)
    killed = tending(clock, a_feed(receiver.url))
    killed.turn(soil)
    until(lambda: len(receiver.taken) == 2)
    killed.leave(None)
    feeds = tending(clock, a_feed(receiver.url))
    told_all(feeds, soil)
    feeds.leave(soil)
    assert len(receiver.taken) == 4
    assert len({posted.headers["webhook-id"] for posted in receiver.taken}) == 2


def test_what_was_taken_but_not_recorded_and_then_changed_is_told_as_it_is(soil, stores, clock, receiver):
    """The change is noted since the feed may have read so far, whether or not it was recorded that it did."""
    commit(soil, stores, *hours(stores, 0, 1, 2))
    clock.at(20)
    killed = tending(clock, a_feed(receiver.url))
    killed.turn(soil)
    until(lambda: len(receiver.taken) == 3)
    killed.leave(None)
    # The same hour again, heard some minutes before: one sample of the two, at another instant.
    moved = stores.v1(stores.BARLEY, 1, 1700, fcnt=900).model_copy(
        update={"heard_at": stores.START + timedelta(minutes=52)}
    )
    commit(soil, stores, moved)
    feeds = tending(clock, a_feed(receiver.url))
    told_all(feeds, soil)
    feeds.leave(soil)
    assert keep_last(bodies(receiver)) == standing(soil)


def test_what_was_recorded_is_never_sent_again(soil, stores, clock, receiver):
    commit(soil, stores, *hours(stores, 0, 1))
    clock.at(20)
    for _ in range(2):
        feeds = tending(clock, a_feed(receiver.url))
        told_all(feeds, soil)
        feeds.leave(soil)
    assert len(receiver.taken) == 2


def test_a_feed_that_is_not_in_the_settings_any_more_is_forgotten_with_what_it_had_due(soil, stores, clock, receiver):
    commit(soil, stores, *hours(stores, 0, 1, 3))
    clock.at(20)
    feeds = tending(clock, a_feed(receiver.url))
    told_all(feeds, soil)
    feeds.leave(soil)
    commit(soil, stores, *hours(stores, 2))
    assert soil.scalar("SELECT count(*) FROM feed_due") > 0
    tending(clock).turn(soil)
    assert feed_states(soil) == {}
    assert soil.scalar("SELECT count(*) FROM feed_due") == 0


def test_without_a_feed_no_commit_notes_anything(soil, stores):
    commit(soil, stores, *hours(stores, 0, 1, 3))
    commit(soil, stores, *hours(stores, 2))
    assert soil.scalar("SELECT count(*) FROM feed_due") == 0


# Receivers that are slow, dead, or wrong --------------------------------------------------------------


def test_a_receiver_that_is_not_well_gets_every_reading_in_order_once_it_is(soil, stores, clock, receiver):
    statuses = iter([503, 422, 500, 404])
    receiver.answer = lambda _: next(statuses, 200)
    commit(soil, stores, *hours(stores, 0, 1, 2))
    clock.at(20)
    feeds = tending(clock, a_feed(receiver.url))
    told_all(feeds, soil)
    feeds.leave(soil)
    assert [told["measured_at"][11:13] for told in bodies(receiver)] == ["00", "01", "02"]
    assert len(receiver.requests) == 7
    assert feed_states(soil)["north"].failing_since is None


def test_a_dead_receiver_holds_no_commit_up_and_the_lag_is_told(soil, stores, clock):
    """A port that accepts and never answers, the worst of them, while 200 uplinks come."""
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen()
        url = f"http://127.0.0.1:{deaf.getsockname()[1]}/feed"
        feeds = tending(clock, a_feed(url, timeout_s=0.2))
        writer, accepted = Writer(soil, CODECS), 0
        for hour in range(200):
            told = writer.commit([stores.accepted(one) for one in hours(stores, hour, count=1500)], stores.START)
            accepted += told.accepted
            clock.at(hour)
            feeds.turn(soil)
        assert accepted == 200
        turning(feeds, soil, lambda: feeds.told(soil)["feeds"][0]["last_error"])
        (told,) = feeds.told(soil)["feeds"]
        assert told["waiting"]
        assert told["last_error"] == f"expected {url} to answer, got no answer in time"
        # Nothing was taken: the cursor stands where it began, 199 hours less the 90 minutes behind.
        assert told["behind_s"] == pytest.approx((199 - 1.5) * 3600)
        feeds.leave(soil)


def test_a_store_that_is_closed_and_opened_again_is_read_on(stores, clock, receiver):
    path = stores.make(hours(stores, 0, 1))
    feeds = tending(clock, a_feed(receiver.url))
    clock.at(20)
    with Store.open(path) as store:
        told_all(feeds, store)
        feeds.let_go()
    with Store.open(path) as store:
        commit(store, stores, *hours(stores, 2))
        told_all(feeds, store)
        assert keep_last(bodies(receiver)) == standing(store)
        feeds.leave(store)


# MQTT -------------------------------------------------------------------------------------------------


@pytest.mark.broker
def test_readings_are_published_to_a_topic_and_wait_while_the_broker_is_away(soil, stores, clock, tmp_path):
    got = []
    with a_broker(tmp_path, persistence=True) as broker:
        listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        subscribed = threading.Event()
        listener.on_connect = lambda client, *_: client.subscribe("farm/readings", qos=1)
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.on_message = lambda _client, _userdata, message: got.append(message)
        broker.stop()
        topic = FeedBrokerSettings(host=broker.host, port=broker.port, topic="farm/readings")
        commit(soil, stores, *hours(stores, 0, 1, 2))
        clock.at(20)
        feeds = tending(clock, a_feed(None, mqtt=topic))
        turning(feeds, soil, lambda: feeds.told(soil)["feeds"][0]["failing_since"])
        # What is sent before anybody listens is nobody's: the receiver has to be there first.
        feeds.leave(soil)
        broker.start()
        listener.connect(broker.host, broker.port)
        listener.loop_start()
        try:
            assert subscribed.wait(10)
            feeds = tending(clock, a_feed(None, mqtt=topic))
            told_all(feeds, soil)
            until(lambda: len(got) == 3)
            feeds.leave(soil)
        finally:
            listener.disconnect()
            listener.loop_stop()
    assert {message.properties.ContentType for message in got} == {"application/json"}
    assert keep_last([json.loads(message.payload) for message in got]) == standing(soil)
