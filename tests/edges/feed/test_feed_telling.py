"""What a feed tells of the readings, and when: settled, corrected, withdrawn, under which revision."""

from __future__ import annotations

import json
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.core.senml import resolve
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import Selection
from loamline.edges.store.registry import save_state
from loamline.edges.webhook_signature import Guard, Proof, parse_secret
from tests.conftest import Stores
from tests.edges.feed.given import SECRET, Clock, a_feed, bodies, commit, hours, keep_last, standing, tending, told_all
from tests.support.event_receiver import http_receiver
from tests.support.revised import apply, load, undo, with_bench


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
