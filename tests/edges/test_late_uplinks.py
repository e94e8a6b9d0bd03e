"""What a late uplink changes is derived again and rewritten, as far as it reaches and no further."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from loamline.core.columns import MINUTE_US
from loamline.core.reference import RegistryState
from loamline.edges.store.connection import Store
from loamline.edges.store.reach import reach_of
from loamline.edges.store.registry import save_state
from loamline.edges.store.verify import verify
from loamline.edges.store.windows import windows
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.uplink import Uplink

CODECS = builtin_codecs()

pytestmark = pytest.mark.usefixtures("where_the_newest_days_stand")


@contextmanager
def a_writer(stores, registry: RegistryState | None = None) -> Iterator[tuple[Store, Writer]]:
    """Yield an empty store with the shared fixtures' registry, and its writer."""
    with Store.open(Path(stores.folder) / "settling.duckdb", create=True) as store:
        save_state(store, registry or stores.registry(), "test")
        yield store, Writer(store, CODECS)


def commit(stores, writer: Writer, *uplinks: Uplink) -> None:
    """Commit uplinks as one batch."""
    writer.commit([stores.accepted(uplink) for uplink in uplinks], stores.START + timedelta(days=900))


def one_by_one(stores, writer: Writer, uplinks: Iterable[Uplink]) -> None:
    """Commit uplinks as live ingest does."""
    for uplink in uplinks:
        commit(stores, writer, uplink)


def assert_stored_is_derived(store: Store) -> None:
    """Compare with a derivation of the whole raw log."""
    told = verify(store, CODECS, first=5)
    assert told.differences == 0, told


def at_minute(stores, minute: float, count: int = 1850, degc: float = 15.0, **more) -> Uplink:
    """Return an uplink of the barley probe, heard so many minutes after the start."""
    uplink = stores.v1(stores.BARLEY, int(minute // 10), count, degc, **more)
    return uplink.model_copy(update={"heard_at": stores.START + timedelta(minutes=minute)})


# --- far reaches, each of which a window of fixed length would miss ------------------------------------------------


def test_samples_that_hang_together_for_days_are_one_however_they_came(stores):
    """Six an hour of a probe whose interval nobody told: single linkage makes one sample, its conflicts add up."""
    with a_writer(stores) as (store, writer):
        told = [at_minute(stores, 10 * number, 1850 + number % 2) for number in range(6 * 80)]
        for start in range(0, len(told), 20):
            commit(stores, writer, *told[start : start + 20])
        assert_stored_is_derived(store)
        assert store.con.sql("SELECT count(*), max(conflicts) FROM reading").fetchall() == [(1, 240)]


def test_frost_lasts_over_a_gap_longer_than_any_window(stores):
    """0.2 degC neither freezes nor thaws; a late uplink says that it froze, 100 hours before."""
    with a_writer(stores) as (store, writer):
        one_by_one(stores, writer, [stores.v1(stores.BARLEY, hour, 1850, 0.2) for hour in (110, 111)])
        assert store.con.sql("SELECT DISTINCT frost_flag FROM reading").fetchall() == [(3,)]
        commit(stores, writer, stores.v1(stores.BARLEY, 10, 1850, -1.0))
        assert_stored_is_derived(store)
        assert store.con.sql("SELECT DISTINCT frost_flag FROM reading").fetchall() == [(4,)]
        commit(stores, writer, stores.v1(stores.BARLEY, 20, 1850, 3.0))
        assert_stored_is_derived(store)


def test_limits_of_an_older_registry_state_reach_as_far_as_they_did(stores):
    """Stuck over 200 h under the first state; under the second, an uplink comes late into that stretch."""
    wide = LimitsFile(limits=(LimitLayer(stuck_suspect_hours=200, stuck_fail_hours=200),))
    told = stores.registry()
    with a_writer(stores, RegistryState(**{**vars(told), "limits": wide})) as (store, writer):
        hours = [hour for hour in range(260) if hour != 20]
        commit(stores, writer, *(stores.v1(stores.BARLEY, hour, 1850, 10 + hour % 24 / 2) for hour in hours))
        assert store.con.sql("SELECT count(*) FROM reading WHERE stuck_flag = 4").fetchall() != [(0,)]
        save_state(store, told, "narrow again")
        again = Writer(store, CODECS)
        commit(stores, again, stores.v1(stores.BARLEY, 20, 1950, 15.0))
        assert_stored_is_derived(store)


def test_a_delivery_that_bridges_two_long_chains_of_copies_makes_one_uplink(stores):
    """A network that says one uplink again every nine minutes for six days, each time with a new instant."""
    with a_writer(stores) as (store, writer):
        copies = [at_minute(stores, 9 * number, fcnt=1) for number in range(960) if number != 480]
        copies = [copy.model_copy(update={"payload_hex": copies[0].payload_hex}) for copy in copies]
        commit(stores, writer, *copies)
        assert store.con.sql("SELECT count(*) FROM reading").fetchall() == [(2,)]
        bridge = copies[0].model_copy(update={"heard_at": stores.START + timedelta(minutes=9 * 480)})
        louder = (bridge.receptions[0].model_copy(update={"gateway": "gw-b", "rssi_dbm": -50.0}),)
        commit(stores, writer, bridge.model_copy(update={"receptions": louder}))
        assert_stored_is_derived(store)
        assert store.con.sql("SELECT gateways, best_rssi_dbm FROM reading").fetchall() == [(2, -50.0)]


def test_a_sample_that_was_cut_off_from_a_better_one_does_not_thaw_the_soil(stores):
    """The window begins between two samples of one instant: the one read says thawed, the one that counts frozen.

    Behind them days of 0.2 degC, which neither freezes nor thaws. Tried for every beginning near the two.
    """
    with a_writer(stores) as (store, writer):
        frozen, later = at_minute(stores, 0, degc=-1.0), at_minute(stores, 8, degc=3.0)
        window = windows(np.array([1]), np.array([0]), np.array([0]), reach_of(store, CODECS))
        back = -int(window.context_from[0]) // MINUTE_US
        days = (at_minute(stores, 60 * hour, degc=0.2) for hour in range(1, back // 60 + 2))
        commit(stores, writer, frozen, later, *days)
        for minute in range(-3, 12):
            commit(stores, writer, at_minute(stores, back + minute, degc=0.25))
            assert_stored_is_derived(store)  # at once: the next window might put it right again
        assert store.con.sql("SELECT DISTINCT frost_flag FROM reading").fetchall() == [(4,)]


def test_two_statuses_of_one_instant_and_counter_both_stay(stores):
    """Two sessions' uplinks under one counter, heard at once: the table has no key that could tell them apart."""
    told = bytes.fromhex("1205020E1A0CF8002238005A")
    with a_writer(stores) as (store, writer):
        for dev_addr, payload in (("01020304", told), ("01020305", told), ("01020306", told[:-1] + b"\x5b")):
            status = stores.uplink(stores.PEARS, payload, stores.START, fport=11, dev_addr=dev_addr)
            commit(stores, writer, status)
            assert_stored_is_derived(store)
        assert store.con.sql("SELECT count(*) FROM status").fetchall() == [(3,)]


# --- without a time of its own ------------------------------------------------------------------------------------


def untimed(stores, hour: int, **more) -> Uplink:
    """Return an uplink whose message carries no time; the writer's clock says when."""
    return stores.v1(stores.PEARS, hour, 1850 + hour % 7, 10.0, **more).model_copy(update={"heard_at": None})


def test_a_redelivery_weeks_later_joins_its_uplink_and_the_hours_between_stay(stores):
    with a_writer(stores) as (store, writer):
        hours = range(0, 24 * 40, 6)
        for hour in hours:
            writer.commit([stores.accepted(untimed(stores, hour))], stores.START + timedelta(hours=hour))
        before = snapshot(store)
        writer.commit([stores.accepted(untimed(stores, 30))], stores.START + timedelta(days=45))
        assert snapshot(store) == before
        assert store.con.sql("SELECT count(*) FROM uplink").fetchall() == [(len(hours) + 1,)]
        # Nor does it become a reading of its own once others are derived around it.
        writer.commit([stores.accepted(untimed(stores, 36))], stores.START + timedelta(days=45, hours=1))
        assert snapshot(store) == before
        writer.commit([stores.accepted(untimed(stores, 999))], stores.START + timedelta(days=45, hours=2))
        assert len(snapshot(store)) == len(before) + 1
        assert_stored_is_derived(store)


def test_a_delivery_without_a_time_joins_two_uplinks_that_had_one(stores):
    """Equal but for their times, a day apart, they were two; the third says that the key is one session's."""
    with a_writer(stores) as (store, writer):
        commit(
            stores,
            writer,
            at_minute(stores, 0),
            at_minute(stores, 0).model_copy(update={"heard_at": stores.START + timedelta(days=30)}),
        )
        assert store.con.sql("SELECT count(*) FROM reading").fetchall() == [(2,)]
        writer.commit(
            [stores.accepted(at_minute(stores, 0).model_copy(update={"heard_at": None}))],
            stores.START + timedelta(days=60),
        )
        assert store.con.sql("SELECT count(*) FROM reading").fetchall() == [(1,)]
        assert_stored_is_derived(store)


def test_a_time_that_comes_after_the_delivery_without_one_moves_the_reading_there(stores):
    """What our own clock said was weeks late; the other gateway's network knew when it was."""
    with a_writer(stores) as (store, writer):
        told = at_minute(stores, 0)
        writer.commit([stores.accepted(told.model_copy(update={"heard_at": None}))], stores.START + timedelta(days=60))
        commit(stores, writer, told)
        assert store.con.sql("SELECT measured_at FROM reading").fetchall() == [(stores.START,)]
        assert_stored_is_derived(store)


# --- as far as it reaches and no further --------------------------------------------------------------------------


def snapshot(store: Store) -> dict[tuple, tuple]:
    """Return every reading by probe, depth and instant: its row id, which a rewritten row loses, and its columns."""
    rows = store.con.sql("SELECT probe_id, depth_index, measured_at, rowid, * FROM reading").fetchall()
    return {row[:3]: row[3:] for row in rows}


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    """Return uplinks of a year but one in the middle, and that one: a step that stays, so that no spike flags."""
    hours = range(24 * 365)
    lone = 24 * 180
    return [hour for hour in hours if hour != lone], lone


def moist(stores, hour: int) -> Uplink:
    """Return an uplink of a soil that dries for a day and is watered, in the temperature of the day."""
    return stores.v1(stores.BARLEY, hour, 1850 - 5 * (hour % 24), 12.0 + hour % 24 / 4)


def test_a_newest_sample_has_no_spike_verdict_until_its_neighbour_comes(stores):
    def spikes(store):
        return [flag for (flag,) in store.con.sql("SELECT spike_flag FROM reading ORDER BY measured_at").fetchall()]

    with a_writer(stores) as (store, writer):
        one_by_one(stores, writer, [moist(stores, hour) for hour in range(3)])
        assert spikes(store) == [2, 1, 2]
        commit(stores, writer, moist(stores, 3))
        assert spikes(store) == [2, 1, 1, 2]
        commit(stores, writer, moist(stores, 7))
        assert spikes(store) == [2, 1, 1, 2, 2]  # too far away to be a neighbour
        commit(stores, writer, moist(stores, 5))
        assert spikes(store) == [2, 1, 1, 1, 1, 2]


def test_a_late_sample_in_the_middle_of_a_year_rewrites_its_neighbours_alone(stores, year):
    """The year's other 8757 rows keep their row ids. Of those rewritten, each says something else than before."""
    hours, lone = year
    with a_writer(stores) as (store, writer):
        commit(stores, writer, *(moist(stores, hour) for hour in hours))
        before = snapshot(store)
        commit(stores, writer, moist(stores, lone))
        after = snapshot(store)
        assert_stored_is_derived(store)
    added = after.keys() - before.keys()
    rewritten = {key for key in before if before[key] != after[key]}
    late = stores.START + timedelta(hours=lone)
    assert before.keys() <= after.keys()
    assert {key[2] for key in added} == {late}
    # With a gap of two hours a neighbour is still near enough: nobody's verdict hung on the missing one.
    assert rewritten == set()


def test_a_late_spike_rewrites_what_it_changes_and_nothing_else(stores, year):
    """What stands behind it was stuck without it, for as long as the window looks back: that, and no row more."""
    hours, lone = year
    with a_writer(stores) as (store, writer):
        commit(stores, writer, *(stores.v1(stores.BARLEY, hour, 1850, 12.0 + hour % 24 / 4) for hour in hours))
        before = snapshot(store)
        commit(stores, writer, stores.v1(stores.BARLEY, lone, 2400, 12.0))
        after = snapshot(store)
        assert_stored_is_derived(store)
    late = stores.START + timedelta(hours=lone)
    rewritten = {key[2] for key in before if before[key] != after[key]}
    assert {key for key in before if before[key][0] != after[key][0]} == {
        key for key in before if before[key][1:] != after[key][1:]
    }
    assert rewritten == {late + timedelta(hours=hour) for hour in range(1, 73)}


@pytest.mark.parametrize("clock", ["network", "ours"])
def test_the_rows_that_a_commit_reads_do_not_grow_with_history(stores, clock):
    """A month and two years of hourly uplinks: the newest one and a late one cost the same."""

    def read(hours: int) -> tuple[int, int]:
        make = untimed if clock == "ours" else moist
        folder = Path(stores.folder) / str(hours)
        folder.mkdir()
        with Store.open(folder / "s.duckdb", create=True) as store:
            save_state(store, stores.registry(), "test")
            writer = Writer(store, CODECS)

            def live(*told: int) -> int:
                for start in range(0, len(told), 24):
                    some = told[start : start + 24]
                    writer.commit(
                        [stores.accepted(make(stores, hour)) for hour in some],
                        stores.START + timedelta(hours=some[0]),
                    )
                return writer.rows_read

            if clock == "network":
                commit(stores, writer, *(moist(stores, hour) for hour in range(hours - 1)))
            else:
                live(*range(hours - 1))
            newest = live(hours - 1)
            again = Writer(store, CODECS)  # what it knows is in the store, and as little of it
            again.commit([stores.accepted(make(stores, hours))], stores.START + timedelta(hours=hours))
            assert_stored_is_derived(store)
            return newest, again.rows_read

    month = read(24 * 30)
    assert 24 < month[0] < 24 * 14
    assert read(24 * (365 * 2 if clock == "network" else 120)) == month
