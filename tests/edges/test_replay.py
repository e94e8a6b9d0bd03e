"""A revision in the store: staged, published, merged; whatever happens in between, what is seen is whole."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.app.replaying import ReplayError, Scope, begin_apply, begin_undo, plan_now
from loamline.edges.store.connection import Store
from loamline.edges.store.preview import Preview
from loamline.edges.store.readings import Selection, readings
from loamline.edges.store.replay import Replay
from loamline.edges.store.revisions import revision_rows, unfinished
from loamline.edges.store.writer import Writer
from loamline_codecs import load_codecs, status_v1
from tests.conftest import Stores
from tests.support.revised import ASKED_AT, CODECS, apply, assert_verified, load, stale, undo, with_bench

REVISED, AGAIN = (1, 31, 48), (1, 28, 52)


@pytest.fixture
def store(stores):
    """Yield a store of two days of readings, with a corrected curve loaded since."""
    with Store.open(stores.make(stores.season()[:150])) as opened:
        load(opened, with_bench(stores.registry(), *REVISED))
        yield opened


def seen(store):
    """Return what a reader sees."""
    return readings(store, Selection()).read_all()


def late(stores, hour=33, dev_eui=Stores.BARLEY):
    """Return an uplink from between those of the season."""
    return stores.accepted(stores.v1(dev_eui, hour, 1700, fcnt=hour + 700, dev_addr="0A0B0C0D"))


# --- the whole way -------------------------------------------------------------------------------------------------


def test_apply_leaves_nothing_stale_and_equals_a_derivation(store):
    before = seen(store)
    count = stale(store)
    done = apply(store)
    assert (done.revision, done.changed) == (1, count)
    assert stale(store) == 0
    assert_verified(store)
    assert seen(store) != before


def test_apply_twice_equals_once(store):
    apply(store)
    once = seen(store)
    assert apply(store).revision is None
    assert seen(store) == once
    assert len(revision_rows(store)) == 1


def test_undo_gives_what_was_before_and_may_be_followed_by_another_apply(store):
    before = seen(store)
    apply(store)
    after = seen(store)
    assert undo(store).revision == 1
    assert seen(store) == before
    assert_verified(store)
    assert apply(store).revision == 2
    assert seen(store) == after


def test_a_preview_tells_what_apply_changes_and_writes_nothing(store):
    before = seen(store)
    for scope in (Scope(sites=("Pear orchard",)), Scope()):
        told = plan_now(store, CODECS, scope)
        preview = Preview(store, CODECS, told, block=1)
        assert [compared.done for compared in preview.chunks()] == [number + 1 for number in range(len(told.spans))]
        assert seen(store) == before
        done = apply(store, scope)
        assert done.changed == preview.report.changed > 0
        undo(store)


def test_a_later_revision_over_the_same_readings_keeps_its_say(stores, store):
    apply(store)
    load(store, with_bench(stores.registry(), *AGAIN))
    apply(store)
    both = seen(store)
    undo(store, 1)
    assert seen(store) == both
    assert_verified(store)


def test_undo_of_an_earlier_revision_uncovers_nothing_that_is_not_there(stores, store):
    """Of the later one the orchard; of the earlier one all: without the earlier the field is as it was stored."""
    before = seen(store)
    apply(store)
    load(store, with_bench(stores.registry(), *AGAIN))
    apply(store, Scope(sites=("Pear orchard",)))
    undo(store, 1)
    assert_verified(store)
    field = [row for row in seen(store).to_pylist() if row["site"] == "North field"]
    assert field == [row for row in before.to_pylist() if row["site"] == "North field"]
    undo(store, 2)
    assert seen(store) == before


def test_what_is_no_applied_revision_is_told(store):
    with pytest.raises(ReplayError, match="found none"):
        undo(store)
    apply(store)
    undo(store)
    with pytest.raises(ReplayError, match="got 1, which is undone"):
        undo(store, 1)
    with pytest.raises(ReplayError, match="expected a revision of this store, got 7"):
        undo(store, 7)


# --- meanwhile -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at", range(8))
def test_an_uplink_that_comes_between_any_two_steps_is_derived_under_both(stores, store, at):
    writer = Writer(store, CODECS)
    number = begin_apply(store, CODECS, Scope(), "a test", "tester", ASKED_AT)
    for step, _ in enumerate(Replay(store, CODECS, writer, chunk=1).finish(number)):
        if step == at:
            writer.commit([late(stores), late(stores, 34, stores.PROFILE), late(stores, 150, stores.PEARS)])
        assert_verified(store)
    writer.commit([late(stores, 90)])
    assert_verified(store)
    assert stale(store) == 0
    undo(store)
    Writer(store, CODECS).commit([late(stores, 77)])
    assert_verified(store)
    apply(store)
    assert stale(store) == 0


@pytest.mark.parametrize("at", range(8))
def test_what_is_seen_changes_once_and_whole(store, at):
    """Given up after any step, it is finished by the next apply."""
    before, count = seen(store), stale(store)
    number = begin_apply(store, CODECS, Scope(), "a test", "tester", ASKED_AT)
    looks = [before]
    work = Replay(store, CODECS, chunk=1).finish(number)
    for _ in range(at):
        if next(work, None) is None:
            break
        looks.append(seen(store))
    work.close()
    finished = unfinished(store) is None
    done = apply(store)
    after = seen(store)
    assert all(look in (before, after) for look in looks)
    assert looks == sorted(looks, key=lambda look: look == after)
    (row,) = revision_rows(store)
    assert (row.step, row.changed) == ("applied", count)
    assert (done.revision, done.changed) == ((None, 0) if finished else (1, count))
    assert_verified(store)


def test_a_revision_in_preparation_can_be_dropped_by_its_number(store):
    before = seen(store)
    begin_apply(store, CODECS, Scope(), "a test", "tester", ASKED_AT)
    with pytest.raises(ReplayError, match="expected no unfinished revision, found 1"):
        undo(store)
    undo(store, 1)
    assert seen(store) == before
    assert unfinished(store) is None
    assert store.scalar("SELECT count(*) FROM reading_staged") == 0


@pytest.mark.parametrize("at", range(8))
def test_an_undo_given_up_anywhere_is_finished_by_the_next_undo(stores, store, at):
    """And the revision before it is left alone."""
    apply(store)
    once = seen(store)
    load(store, with_bench(stores.registry(), *AGAIN))
    apply(store)
    number = begin_undo(store)
    work = Replay(store, CODECS, chunk=1).finish(number)
    for _ in range(at):
        next(work, None)
    work.close()
    finished = unfinished(store) is None
    if not finished:
        assert undo(store).revision == 2
    assert seen(store) == once
    assert [row.step for row in revision_rows(store)] == ["applied", "undone"]
    assert_verified(store)


# --- uplinks set aside ---------------------------------------------------------------------------------------------


@pytest.fixture
def private(loamline, tmp_path):
    """Return the codecs with two private ones: a measurement on port 12, a status on port 13."""
    folder = tmp_path / "codecs-of-mine"
    assert loamline("codec", "new", "soil-stake", "--dir", folder).exit_code == 0
    text = Path(str(status_v1.__file__)).read_text().replace('name="status-v1"', 'name="stake-status-v1"')
    (folder / "stake_status_v1.py").write_text(text.replace("fport=11", "fport=13"))
    return load_codecs((folder,))


def test_what_a_new_codec_reads_comes_back_readings_and_statuses(stores, private):
    known = private.by_name("soil-stake-v1").build(
        {"supply_v": 3.6, "firmware": "1.0", "sample_counter": 42, "tilted": 0, "supply_low": 0},
        [{"moisture_count": 1850, "soil_temperature_degc": 15.0}],
    )
    status = "1205020E1A0CF8002238005A"  # the data sheet's worked vector
    at = stores.START + timedelta(hours=200)
    unread = [
        stores.uplink(stores.BARLEY, known, at, fcnt=801, fport=12),
        stores.uplink(stores.BARLEY, status, at, fcnt=802, fport=13),
        stores.uplink(stores.PEARS, "7F00", at, fcnt=803),
    ]
    with Store.open(stores.make(stores.season()[:150], unread)) as store:
        before = store.scalar("SELECT count(*) FROM reading")
        assert stale(store, codecs=private) == 0
        told = plan_now(store, private, Scope())
        assert (told.causes, told.nothing) == ({"set_aside": 2}, False)
        assert apply(store, codecs=private).changed == 1
        assert store.scalar("SELECT count(*) FROM reading") == before + 1
        assert store.con.sql("SELECT codec FROM status").fetchall() == [("stake-status-v1",)]
        assert store.con.sql("SELECT seq FROM set_aside").fetchall() == [(153,)]
        assert_verified(store, private)
        assert plan_now(store, private, Scope()).nothing
        undo(store, codecs=private)
        assert_verified(store, private)


@pytest.mark.parametrize("at", range(6))
def test_uplinks_read_again_appear_with_the_readings_of_them(stores, private, at):
    """Given up anywhere, an uplink is set aside and has no reading, or has one and is not set aside."""
    known = "0100073A05DC0E1010002A"
    unread = [stores.uplink(stores.BARLEY, known, stores.START + timedelta(hours=200), fcnt=801, fport=12)]
    with Store.open(stores.make(stores.season()[:40], unread)) as store:
        load(store, with_bench(stores.registry(), *REVISED))
        number = begin_apply(store, private, Scope(), "a test", "tester", ASKED_AT)
        work = Replay(store, private, chunk=1).finish(number)
        for _ in range(at):
            next(work, None)
            aside = store.scalar("SELECT count(*) FROM set_aside")
            assert aside + sum(row["codec"] == "soil-stake-v1" for row in seen(store).to_pylist()) == 1
        work.close()
        apply(store, codecs=private)
        assert store.scalar("SELECT count(*) FROM set_aside") == 0
        assert_verified(store, private)


# --- anything ------------------------------------------------------------------------------------------------------

OPERATIONS = st.one_of(
    st.tuples(st.just("load"), st.sampled_from([(1, 30, 49), REVISED, AGAIN]), st.sampled_from([None, 20, 60])),
    st.tuples(
        st.just("apply"), st.sampled_from([{}, {"sites": ("Pear orchard",)}, {"probes": ("S-0001",)}]), st.none()
    ),
    st.tuples(st.just("apply"), st.sampled_from([{}, {"since": 30}, {"until": 50}]), st.integers(0, 9)),
    st.tuples(st.just("undo"), st.sampled_from([None, 1, 2]), st.one_of(st.none(), st.integers(0, 9))),
    st.tuples(st.just("ingest"), st.integers(0, 80), st.integers(1, 12)),
)


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(OPERATIONS, min_size=1, max_size=8))
def test_any_sequence_of_load_apply_undo_and_ingest_equals_a_derivation(operations):
    """`apply` and `undo` may be given up after any step."""
    with tempfile.TemporaryDirectory() as folder:
        stores = Stores(Path(folder))
        season = stores.season()[:120]
        with Store.open(stores.make(season[::2])) as store:
            for kind, what, more in operations:
                _perform(stores, store, season, kind, what, more)
                assert_verified(store)
            apply(store)
            assert stale(store) == 0
            assert_verified(store)


def _perform(stores, store, season, kind, what, more):
    if kind == "load":
        since = None if more is None else stores.START + timedelta(hours=more)
        load(store, with_bench(stores.registry(), *what, since=since))
    elif kind == "apply":
        hours = {name: stores.START + timedelta(hours=told) for name, told in what.items() if isinstance(told, int)}
        apply(store, Scope(**{**what, **hours}), steps=more)
    elif kind == "undo":
        try:
            undo(store, what, steps=more)
        except ReplayError:
            return  # no such revision, or another one unfinished
    else:
        Writer(store, CODECS).commit([stores.accepted(uplink) for uplink in season[what : what + more]])
