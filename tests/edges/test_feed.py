"""Settled readings to a real webhook and a real broker: at least once, corrected, and never in the way."""

from __future__ import annotations

import io
import itertools
import json
import signal
import socket
import tempfile
import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from paho.mqtt import client as mqtt
from paho.mqtt import publish
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import ValidationError

from loamline.app.feed_tending import FeedTending
from loamline.app.ingest import make_log
from loamline.core.senml import resolve
from loamline.edges.export import rfc3339_column
from loamline.edges.store.connection import Store
from loamline.edges.store.feed_state import feed_states
from loamline.edges.store.readings import Selection, readings
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline.edges.webhook_signature import Guard, Proof, parse_secret
from loamline_codecs import builtin_codecs
from loamline_schemas.feed_settings import FeedBrokerSettings, FeedSettings
from loamline_schemas.settings import Settings
from tests.conftest import Stores
from tests.support.daemon import Daemon, until
from tests.support.event_receiver import http_receiver
from tests.support.mosquitto import a_broker, free_port
from tests.support.revised import apply, load, undo, with_bench
from tests.support.uplinks import as_bytes, fleet

CODECS = builtin_codecs()
SECRET = "whsec_" + "QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVo="
MARKS = ("corrected", "revision", "revision_undone", "withdrawn")


class Clock:
    """Our clock, which a test moves."""

    def __init__(self) -> None:
        self.now = Stores.START

    def __call__(self):
        return self.now

    def at(self, hour):
        self.now = Stores.START + timedelta(hours=hour)


@pytest.fixture
def receiver():
    with http_receiver() as told:
        yield told


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def soil(stores):
    """Yield an open store that no uplink has come to."""
    with Store.open(stores.folder / "soil.duckdb", create=True) as store:
        save_state(store, stores.registry(), "test")
        yield store


def a_feed(url, **more):
    told = {"name": "north", "since": Stores.START, "longest_pause_s": 0.05, "timeout_s": 5}
    return FeedSettings(**{**told, "url": url, **more})


def tending(clock, *feeds):
    return FeedTending(feeds, make_log("json", debug=True, file=io.StringIO()), turn_s=0.0, clock=clock)


def turning(feeds, store, done):
    """Give the feeds their turns until something is so."""

    def turned():
        feeds.turn(store)
        return done()

    until(turned)


def nothing_waits(feeds, store):
    def done():
        told = feeds.told(store)["feeds"]
        return bool(told) and not any(feed["waiting"] for feed in told)

    return done


def told_all(feeds, store):
    turning(feeds, store, nothing_waits(feeds, store))


def bodies(receiver):
    return [json.loads(posted.body) for posted in receiver.taken]


def keep_last(messages):
    """Return what a receiver holds that keeps the last of each key and drops what is withdrawn."""
    held = {}
    for told in messages:
        key = (told["dev_eui"], told["depth_index"], told["measured_at"])
        if told["withdrawn"]:
            held.pop(key, None)
        else:
            held[key] = {name: value for name, value in told.items() if name not in MARKS}
    return held


def standing(store, selection=None):
    """Return what the store tells of every reading, in the form of a message."""
    table = readings(store, selection or Selection()).read_all()
    for name in ("measured_at", "heard_at"):
        number = table.schema.get_field_index(name)
        table = table.set_column(number, name, [rfc3339_column(table.column(name).combine_chunks())])
    rows = table.to_pylist()
    return {(row["dev_eui"], row["depth_index"], row["measured_at"]): row for row in rows}


def commit(store, stores, *uplinks):
    return Writer(store, CODECS).commit([stores.accepted(uplink) for uplink in uplinks], stores.START)


def hours(stores, *numbers, dev_eui=Stores.BARLEY, count=1800):
    return [stores.v1(dev_eui, hour, count + 3 * hour) for hour in numbers]


# What is told, and when -------------------------------------------------------------------------------


def test_a_reading_is_told_once_and_not_before_it_is_settled(soil, stores, clock, receiver):
    feeds = tending(clock, a_feed(receiver.url, settle_minutes=90))
    commit(soil, stores, *hours(stores, 0, 1, 2))
    clock.at(2.4)
    told_all(feeds, soil)
    assert [told["measured_at"] for told in bodies(receiver)] == ["2026-05-01T00:00:00Z"]
    clock.at(3.5)
    told_all(feeds, soil)
    feeds.leave(soil)
    assert [told["measured_at"][11:13] for told in bodies(receiver)] == ["00", "01", "02"]
    assert all(not told["corrected"] for told in bodies(receiver))
    assert receiver.taken[0].headers["content-type"] == "application/json"


def test_on_time_uplinks_leave_nothing_to_be_told_again(soil, stores, clock, receiver):
    """The neighbour that settles the spike check comes within the 90 minutes."""
    feeds = tending(clock, a_feed(receiver.url))
    for hour in range(6):
        commit(soil, stores, *hours(stores, hour))
        clock.at(hour + 0.1)
        told_all(feeds, soil)
        assert soil.scalar("SELECT count(*) FROM feed_due") == 0
    feeds.leave(soil)
    assert len(bodies(receiver)) == 4


def test_a_feed_without_since_begins_with_what_settles_after_its_start(soil, stores, clock, receiver):
    feeds = tending(clock, a_feed(receiver.url, since=None))
    commit(soil, stores, *hours(stores, 0, 1, 2, 3))
    clock.at(2.6)
    told_all(feeds, soil)
    clock.at(5)
    told_all(feeds, soil)
    feeds.leave(soil)
    assert [told["measured_at"][11:13] for told in bodies(receiver)] == ["02", "03"]


def test_a_late_uplink_is_told_and_so_are_the_neighbours_that_it_changes(soil, stores, clock, receiver):
    feeds = tending(clock, a_feed(receiver.url))
    around = [
        stores.v1(stores.BARLEY, hour, 2600 if hour == 4 else 1800) for hour in range(10) if hour not in (2, 3, 5, 6)
    ]
    commit(soil, stores, *around)
    clock.at(20)
    told_all(feeds, soil)
    before = len(receiver.taken)
    commit(soil, stores, *[stores.v1(stores.BARLEY, hour, 1800) for hour in (3, 5)])
    told_all(feeds, soil)
    feeds.leave(soil)
    told = bodies(receiver)[before:]
    again = {one["measured_at"][11:13]: (one["corrected"], one["spike"]) for one in told}
    assert {hour: again[hour][0] for hour in ("03", "05")} == {"03": False, "05": False}
    # Neither neighbour stood within the largest gap before, and both do now.
    assert again["04"] == (True, "fail")
    assert keep_last(bodies(receiver)) == standing(soil)
    assert soil.scalar("SELECT count(*) FROM feed_due") == 0


def test_a_revision_and_its_undoing_are_told_with_its_number(soil, stores, clock, receiver):
    feeds = tending(clock, a_feed(receiver.url, per="batch", batch_readings=4))
    commit(soil, stores, *hours(stores, *range(6)))
    clock.at(20)
    told_all(feeds, soil)
    first = standing(soil)
    load(soil, with_bench(stores.registry(), 1, 32, 49))
    done = apply(soil)
    told_all(feeds, soil)
    revised = standing(soil)
    batches = [batch["readings"] for batch in bodies(receiver)]
    assert [len(batch) for batch in batches] == [4, 2, 4, 2]
    again = [one for batch in batches[2:] for one in batch]
    assert {(one["corrected"], one["revision"], one["revision_undone"]) for one in again} == {
        (True, done.revision, False)
    }
    assert keep_last(again) == revised != first
    undo(soil)
    told_all(feeds, soil)
    feeds.leave(soil)
    back = [one for batch in bodies(receiver)[4:] for one in batch["readings"]]
    assert {(one["corrected"], one["revision"], one["revision_undone"]) for one in back} == {
        (True, done.revision, True)
    }
    assert keep_last(back) == standing(soil)
    ids = [posted.headers["webhook-id"] for posted in receiver.taken]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("more", [{"site": "Pear orchard"}, {"customer": "other"}])
def test_a_feed_tells_its_site_s_or_customer_s_readings_alone(soil, stores, clock, receiver, more):
    registry = stores.registry()
    sites = tuple(
        site.model_copy(update={"customer": "other"}) if site.site == "Pear orchard" else site
        for site in registry.sites
    )
    load(soil, type(registry)(**{**vars(registry), "sites": sites}))
    feeds = tending(clock, a_feed(receiver.url, **more))
    commit(soil, stores, *hours(stores, 0, 1), *hours(stores, 0, 1, dev_eui=stores.PEARS))
    clock.at(20)
    told_all(feeds, soil)
    # Late for both: changes are told by the same rule.
    commit(soil, stores, *hours(stores, 2), *hours(stores, 2, dev_eui=stores.PEARS))
    told_all(feeds, soil)
    feeds.leave(soil)
    assert keep_last(bodies(receiver)) == standing(soil, Selection(site="Pear orchard"))
    assert {told["dev_eui"] for told in bodies(receiver)} == {stores.PEARS}


def test_a_probe_that_was_elsewhere_all_the_time_is_withdrawn_from_one_feed_and_told_to_the_other(
    soil, stores, clock, receiver
):
    with http_receiver() as other:
        here = a_feed(receiver.url, site="North field")
        feeds = tending(clock, here, a_feed(other.url, name="pears", site="Pear orchard"))
        commit(soil, stores, *hours(stores, 0, 1))
        clock.at(20)
        told_all(feeds, soil)
        registry = stores.registry()
        moved = tuple(
            row.model_copy(update={"site": "Pear orchard"}) if row.dev_eui == stores.BARLEY else row
            for row in registry.placements
        )
        load(soil, type(registry)(**{**vars(registry), "placements": moved}))
        apply(soil)
        told_all(feeds, soil)
        feeds.leave(soil)
        assert [told["withdrawn"] for told in bodies(receiver)] == [False, False, True, True]
        assert keep_last(bodies(receiver)) == {}
        assert keep_last(bodies(other)) == standing(soil)
        assert len(bodies(other)) == 2


def test_a_post_is_signed_and_senml_has_its_media_type(soil, stores, clock, receiver):
    """Standard Webhooks 1.0.0, by the code that checks what comes in; RFC 8428, section 12.3.1."""
    feeds = tending(clock, a_feed(receiver.url, form="senml", per="batch", secret=SECRET))
    commit(soil, stores, *hours(stores, 0, 1))
    clock.at(20)
    told_all(feeds, soil)
    feeds.leave(soil)
    (posted,) = receiver.taken
    assert posted.headers["content-type"] == "application/senml+json"
    names = ("webhook-id", "webhook-timestamp", "webhook-signature")
    proof = Proof(None, *(posted.headers[name].encode() for name in names))
    guard = Guard(secrets=(parse_secret(SECRET),))
    assert guard.before_the_body(proof, time.time())
    guard.check_body(proof, posted.body)
    names = {record["n"] for record in resolve(json.loads(posted.body))}
    assert f"urn:dev:mac:{stores.BARLEY.lower()}_0_water-content" in names


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


# The daemon -------------------------------------------------------------------------------------------


@pytest.mark.broker
def test_the_daemon_killed_while_it_sends_leaves_no_reading_untold(stores, loamline, tmp_path):
    """kill -9 at whatever instant it is: all comes, what was not recorded twice; `loamline status` tells of it."""
    path = stores.make(hours(stores, *range(48)))
    config = tmp_path / "loamline.toml"
    hurry = threading.Event()

    def slowly(_):
        hurry.wait(0.05)
        return 204

    with a_broker(tmp_path) as broker, http_receiver() as receiver:
        receiver.answer = slowly
        config.write_text(f'[[feeds]]\nname = "north"\nurl = "{receiver.url}"\nsince = 2026-05-01T00:00:00Z\n')
        killed = Daemon(broker, path, "--config", str(config))
        until(lambda: len(receiver.taken) > 5 or killed.process.poll() is not None)
        killed.kill()
        before = len(receiver.taken)
        assert 5 < before < 48
        hurry.set()
        daemon = Daemon(broker, path, "--config", str(config))
        until(lambda: len(keep_last(bodies(receiver))) == 48)
        done = loamline("status", "--store", path)
        assert "north: " in done.output
        assert receiver.url in done.output
        assert daemon.terminate(signal.SIGTERM) == 0
        with Store.open(path) as store:
            assert keep_last(bodies(receiver)) == standing(store)
            assert is_told(store)


@pytest.mark.broker
def test_the_daemon_acknowledges_all_that_comes_while_a_receiver_is_dead_and_status_tells_so(loamline, tmp_path):
    path, config = tmp_path / "soil.duckdb", tmp_path / "loamline.toml"
    url = f"http://127.0.0.1:{free_port()}/feed"
    feed = f'[[feeds]]\nname = "north"\nurl = "{url}"\nsince = 2026-01-01T00:00:00Z\n'
    config.write_text(f"[watch]\ncanary_every_s = 0\n{feed}")
    uplinks = [as_bytes(uplink) for uplink in itertools.islice(fleet(7), 200)]
    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, path, "--config", str(config))
        daemon.wait_for("subscribed")
        publish.multiple(
            [("loamline/uplinks/x", uplink, 1, False) for uplink in uplinks], hostname=broker.host, port=broker.port
        )
        until(lambda: sum(line["messages"] for line in daemon.told("committed")) >= 200)
        assert daemon.committed("accepted") + daemon.committed("set_aside") == 200
        assert daemon.committed("acknowledged") == 200
        daemon.wait_for("readings not taken, they are sent again")
        done = loamline("status", "--store", path)
        assert "minutes behind" in done.output
        assert f"expected {url} to answer, got [Errno 111] Connection refused" in done.output
        assert daemon.terminate(signal.SIGTERM) == 0


def is_told(store):
    (state,) = feed_states(store).values()
    return state.at_end and state.failing_since is None


# Settings ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({}, "expected one of url and mqtt, got neither"),
        ({"url": "http://a.example/", "mqtt": {}}, "expected one of url and mqtt, got url and mqtt"),
        ({"url": "http://a.example/", "site": "a", "customer": "b"}, "expected one of customer and site"),
        ({"url": "ftp://a.example/"}, "expected http:// or https://"),
    ],
)
def test_a_feed_that_can_t_be_meant_is_told(told, sentence):
    with pytest.raises(ValidationError, match=sentence):
        FeedSettings.model_validate({"name": "north", **told})


def test_two_feeds_of_one_name_or_client_id_are_told():
    feed = {"name": "north", "mqtt": {}}
    with pytest.raises(ValidationError, match="expected another name in each of the feeds, got north") as problem:
        Settings.model_validate({"feeds": [feed, feed]})
    assert "expected another client_id in each of the feeds to 127.0.0.1:1883" in str(problem.value)


# Invariant --------------------------------------------------------------------------------------------

_MOVES = st.one_of(
    st.tuples(st.just("hear"), st.integers(0, 11), st.sampled_from([0, 0, 0, -8, 8]), st.integers(1400, 2600)),
    st.tuples(st.just("tell"), st.integers(0, 3)),
    st.tuples(st.just("kill")),
    st.tuples(st.just("revise"), st.sampled_from([30, 32, 34])),
    st.tuples(st.just("undo")),
)


@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow])
@given(moves=st.lists(_MOVES, min_size=4, max_size=14))
def test_a_receiver_that_keeps_the_last_of_each_holds_what_the_store_holds(moves):
    """Whatever comes late, is told twice at one instant, is revised or undone, and whenever the sender is killed."""
    with tempfile.TemporaryDirectory() as folder, http_receiver() as receiver:
        stores, clock = Stores(Path(folder)), Clock()
        clock.at(6)
        feed = a_feed(receiver.url, batch_readings=3)
        with Store.open(Path(folder) / "soil.duckdb", create=True) as store:
            save_state(store, stores.registry(), "test")
            feeds = tending(clock, feed)
            for number, (kind, *rest) in enumerate(moves):
                if kind == "hear":
                    hour, minutes, count = rest
                    at = stores.START + timedelta(hours=hour, minutes=minutes)
                    uplink = stores.v1(stores.BARLEY, hour, count, fcnt=100 * hour + number)
                    commit(store, stores, uplink.model_copy(update={"heard_at": max(at, stores.START)}))
                elif kind == "tell":
                    clock.now += timedelta(hours=rest[0])
                    told_all(feeds, store)
                elif kind == "kill":
                    feeds.turn(store)
                    feeds.leave(None)
                    feeds = tending(clock, feed)
                elif kind == "revise":
                    load(store, with_bench(stores.registry(), 1, rest[0], 49))
                    apply(store)
                elif store.scalar("SELECT count(*) FROM revision WHERE step = 'applied'"):
                    undo(store)
            clock.at(40)
            told_all(feeds, store)
            feeds.leave(store)
            assert keep_last(bodies(receiver)) == standing(store)
