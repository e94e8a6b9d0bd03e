"""The newest days in the writer's memory: asked in place of the store, moved on, and given up where they don't fit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from loamline.edges.store import raw_log, tail, tail_keeping
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.revisions import merge_pending
from loamline.edges.store.verify import verify
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs

CODECS = builtin_codecs()
#: What asks the store for a commit's sake, in place of the tail.
ASKED = [(raw_log, "_unseen"), (raw_log, "_deliveries_in"), (tail, "_dirty_outlines")]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that every question to the store for a commit's sake is noted in."""
    noted: list[str] = []
    for module, name in ASKED:
        ask = getattr(module, name)
        monkeypatch.setattr(
            module, name, lambda *given, ask=ask, name=name, **named: noted.append(name) or ask(*given, **named)
        )
    return noted


@contextmanager
def a_writer(stores) -> Iterator[tuple[Store, Writer]]:
    with Store.open(Path(stores.folder) / "tail.duckdb", create=True) as store:
        save_state(store, stores.registry(), "test")
        yield store, Writer(store, CODECS)


def commit_hours(stores, writer: Writer, *hours: int) -> None:
    """Commit what two probes sent in these hours, each hour as a batch."""
    for hour in hours:
        told = [stores.v1(dev_eui, hour, 1850 + hour % 7, 10.0) for dev_eui in (stores.PEARS, stores.BARLEY)]
        writer.commit([stores.accepted(uplink) for uplink in told], stores.START + timedelta(days=900))


def assert_stored_is_derived(store: Store) -> None:
    told = verify(store, CODECS, first=5)
    assert told.differences == 0, told


def test_a_commit_of_newest_uplinks_asks_the_store_for_nothing(stores, asked):
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(150))
        assert asked == []
        assert_stored_is_derived(store)


def test_a_restarted_writer_reads_its_newest_days_once_and_goes_on_from_memory(stores, asked):
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(200))
        commit_hours(stores, Writer(store, CODECS), *range(200, 220))
        assert asked == []
        assert_stored_is_derived(store)


def test_a_writer_that_was_warmed_up_has_its_newest_days_before_the_first_commit(stores, monkeypatch):
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(200))
        warm = Writer(store, CODECS)
        warm.warm_up()
        monkeypatch.setattr(tail_keeping, "Tail", None)  # reading them again would break the commit
        commit_hours(stores, warm, 200, 201)
        assert_stored_is_derived(store)


def test_an_empty_store_has_nothing_to_warm_up(stores):
    with a_writer(stores) as (store, writer):
        writer.warm_up()
        commit_hours(stores, writer, 0, 1)
        assert_stored_is_derived(store)


def test_a_redelivery_is_known_from_memory(stores, asked):
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(100))
        commit_hours(stores, writer, 99, 50)
        assert writer.fates == ["duplicates", "duplicates"]
        assert asked == []
        assert store.scalar("SELECT count(*) FROM uplink") == 200


def test_an_uplink_from_before_those_days_asks_the_store(stores, asked):
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(10), *range(11, 200))
        assert asked == []
        commit_hours(stores, writer, 10)
        assert {name for _, name in ASKED} <= set(asked)
        assert_stored_is_derived(store)


def test_memory_does_not_grow_with_history(stores):
    with a_writer(stores) as (_, writer):
        commit_hours(stores, writer, *range(200))
        month = writer._tail.size_bytes
        commit_hours(stores, writer, *range(200, 500))
        assert writer._tail.size_bytes < 1.5 * month


def test_a_fleet_that_needs_more_memory_than_is_allowed_asks_the_store_each_time(stores, asked, monkeypatch):
    monkeypatch.setattr(tail_keeping, "MOST_BYTES", 10_000)
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(100))
        assert writer._tail is None
        assert len(asked) > 100
        assert_stored_is_derived(store)


def test_a_clock_that_jumps_back_for_good_has_the_days_it_jumped_to_read_after_a_while(stores, asked):
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(24 * 40, 24 * 40 + 10))
        commit_hours(stores, writer, *range(100))
        assert asked
        asked.clear()
        commit_hours(stores, writer, *range(100, 110))
        assert asked == []
        assert_stored_is_derived(store)


def test_what_somebody_else_changed_is_read_again(stores):
    """A row that went behind the writer's back comes back with the next commit that reaches it."""
    with a_writer(stores) as (store, writer):
        commit_hours(stores, writer, *range(100))
        store.con.execute(
            "DELETE FROM reading WHERE measured_at > (SELECT max(measured_at) FROM reading) - INTERVAL 3 HOURS"
        )
        with store.transaction():
            merge_pending(store, [])
        commit_hours(stores, writer, 100)
        assert_stored_is_derived(store)
