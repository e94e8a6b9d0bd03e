"""Problems kept up to date in a real store: what a turn notes, what it reads, and that no order matters."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import count

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.core.problem_kinds import OF_SILENCE, Kind
from loamline.edges.store.connection import Store
from loamline.edges.store.outbox import waiting_events
from loamline.edges.store.problem_log import stored_problems
from loamline.edges.store.problem_report import problem_report, problems_at
from loamline.edges.store.problems import SLICE, Problems
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.uplink import Reception

_NUMBERS = count()


class Life:
    """An open store, its writer and its problems, on a clock that the test sets."""

    def __init__(self, stores, path, *, registry=None, **more):
        self.stores = stores
        self.store = Store.open(path, create=True)
        save_state(self.store, registry or stores.registry(), "test")
        self.writer = Writer(self.store, builtin_codecs())
        self.problems = Problems(self.store, stores.START, source="/test", **more)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.store.close()

    def hear(self, *uplinks):
        self.writer.commit([self.stores.accepted(uplink) for uplink in uplinks], self.stores.START)

    def turn(self, hour):
        now = self.stores.START + timedelta(hours=hour)
        changes = self.problems.turn(now)
        while self.problems.waiting:
            changes += self.problems.turn(now)
        return changes

    def told(self):
        return {(one.kind.value, one.subject) for one in stored_problems(self.store)}

    def events(self):
        return [json.loads(event.body) for event in waiting_events(self.store, 0, 10_000)]


@pytest.fixture
def life(stores):
    with Life(stores, stores.folder / "soil.duckdb") as made:
        yield made


def hours(stores, dev_eui, span, **more):
    return [stores.v1(dev_eui, hour, 1850 - hour, **more) for hour in span]


def test_a_probe_that_falls_silent_among_others_is_noted_once_and_ended_by_its_next_uplink(life, stores):
    life.hear(*hours(stores, stores.BARLEY, range(6)), *hours(stores, stores.PEARS, range(6)))
    life.turn(5.1)
    silent = ("silent", f"probe/{stores.PEARS}")
    life.hear(*hours(stores, stores.BARLEY, range(6, 8)))
    life.turn(7.1)
    assert silent not in life.told()
    life.hear(*hours(stores, stores.BARLEY, range(8, 10)))
    life.turn(9.1)
    assert silent in life.told()
    assert life.turn(9.2) == 0
    life.hear(*hours(stores, stores.PEARS, range(10, 11)))
    life.turn(10.1)
    assert silent not in life.told()
    told = [event for event in life.events() if event["data"]["kind"] == "silent"]
    assert [event["type"] for event in told] == ["loamline.problem.began", "loamline.problem.ended"]
    assert [event["subject"] for event in told] == [f"probe/{stores.PEARS}"] * 2
    assert told[0]["data"]["problem_id"] == told[1]["data"]["problem_id"]
    assert told[0]["data"]["since"] == "2026-05-01T05:00:00Z"
    assert (told[0]["data"]["serial"], told[0]["data"]["site"]) == ("S-0002", "Pear orchard")


def test_an_event_has_every_attribute_that_cloudevents_requires(life, stores):
    """CloudEvents 1.0.2: specversion, id, source, type; id and source together are unique."""
    life.hear(*hours(stores, "02BB0000000000FF", range(2)))
    life.turn(1.1)
    told = life.events()
    assert {event["specversion"] for event in told} == {"1.0"}
    assert {event["source"] for event in told} == {"/test"}
    assert len({event["id"] for event in told}) == len(told) > 0
    assert all(datetime.fromisoformat(event["time"]).tzinfo == UTC for event in told)


def test_a_placed_probe_that_was_never_heard_is_told_and_one_without_a_placement_is_not(life, stores):
    life.turn(0)
    assert life.told() == {("never heard", f"probe/{probe}") for probe in (stores.BARLEY, stores.PEARS, stores.PROFILE)}


def test_a_stranger_is_told_until_the_registry_knows_it(life, stores):
    stranger = "02BB0000000000FF"
    life.hear(*hours(stores, stranger, range(3)))
    life.turn(2.1)
    assert ("not registered", f"probe/{stranger}") in life.told()
    state = stores.registry()
    known = state.probes[0].model_copy(update={"dev_eui": stranger, "serial": "S-0099"})
    save_state(life.store, replace(state, probes=(*state.probes, known)), "the stranger, too")
    life.writer.registered()
    life.turn(2.2)
    assert ("not registered", f"probe/{stranger}") not in life.told()


def test_a_gateway_that_stops_while_others_hear_is_told(life, stores):
    both = (Reception(gateway="gw-a", snr_db=1.0), Reception(gateway="gw-b", snr_db=1.0))
    life.hear(*hours(stores, stores.BARLEY, range(12), receptions=both))
    life.turn(11.1)
    life.hear(*hours(stores, stores.BARLEY, range(12, 16), receptions=both[:1]))
    life.turn(15.1)
    assert {told for told in life.told() if told[0] == "gateway quiet"} == {("gateway quiet", "gateway/gw-b")}
    life.hear(*hours(stores, stores.BARLEY, range(16, 17), receptions=both[1:]))
    life.turn(16.1)
    assert not [told for told in life.told() if told[0] == "gateway quiet"]


def test_firmware_is_mixed_within_a_hardware_revision_until_the_last_probe_has_the_new_one(life, stores):
    """Payload version 1 of these tests tells firmware 2.5, version 4 tells 5.2."""
    life.hear(*hours(stores, stores.BARLEY, range(2)), *hours(stores, stores.PEARS, range(2)))
    life.turn(1.1)
    mixed = ("mixed firmware", "hardware/P1")
    assert mixed not in life.told()
    life.hear(stores.v4(stores.BARLEY, 2, [12.0]))
    life.turn(2.1)
    assert mixed in life.told()
    life.hear(stores.v4(stores.PEARS, 3, [12.0]))
    life.turn(3.1)
    assert mixed not in life.told()


def test_low_supply_and_frost_come_from_the_readings_own_checks(life, stores):
    build = builtin_codecs().by_name("measurement-v4").build
    for hour in range(3):
        low = build(
            {"supply_v": 2.4, "firmware": "5.2", "supply_low": 1, "sample_counter": hour},
            [{"permittivity": 20 + hour, "soil_temperature_degc": -2}],
        )
        life.hear(stores.uplink(stores.PROFILE, low, stores.START + timedelta(hours=hour), hour + 1))
    life.turn(2.1)
    assert {kind for kind, subject in life.told() if subject == f"probe/{stores.PROFILE}"} >= {"low supply", "frost"}


def test_after_a_start_silence_is_not_told_before_what_waited_had_time_to_come(stores):
    settle = timedelta(hours=1)
    with Life(stores, stores.folder / "soil.duckdb", settle=settle) as life:
        life.hear(*hours(stores, stores.BARLEY, range(6)))
        assert {kind for kind, _ in life.told()} == set()
        life.turn(0.5)
        assert "never heard" not in {kind for kind, _ in life.told()}
        life.turn(1.5)
        assert ("never heard", f"probe/{stores.PEARS}") in life.told()


def test_a_new_start_finds_what_came_before_a_kill_and_tells_no_onset_twice(stores):
    path = stores.folder / "soil.duckdb"
    with Life(stores, path) as life:
        life.hear(*hours(stores, stores.BARLEY, range(6)))
        life.turn(5.1)
        before, events = life.told(), len(life.events())
        life.hear(*hours(stores, "02BB0000000000FF", range(6)))
    with Life(stores, path) as life:
        life.turn(5.2)
        assert life.told() == before | {("not registered", "probe/02BB0000000000FF")}
        assert len(life.events()) == events + 1


def test_a_turn_looks_at_no_more_than_its_slice_however_large_the_fleet(stores):
    state = stores.registry()
    many = [f"02BB00000000{number:04X}" for number in range(0x100, 0x100 + SLICE + 50)]
    probes = tuple(state.probes[0].model_copy(update={"dev_eui": eui, "serial": eui[-4:]}) for eui in many)
    with Life(stores, stores.folder / "soil.duckdb", registry=replace(state, probes=probes)) as life:
        before = life.problems.waiting
        assert before > SLICE
        life.problems.turn(stores.START)
        assert life.problems.waiting >= before - SLICE
        life.turn(0)
        life.hear(*hours(stores, many[0], range(1)))
        life.problems.turn(stores.START + timedelta(minutes=1))
        assert life.problems.waiting == 0


def test_a_store_without_a_daemon_is_looked_at_without_writing_anything(stores, season_store):
    now = stores.START + timedelta(hours=120)
    with Store.open(season_store, writable=False) as store:
        found = problems_at(store, now)
        assert stored_problems(store) == []
        report = problem_report(store, found, site="Pear orchard")
    assert {(one.kind, one.subject) for one in found} >= {
        (Kind.FROST, f"probe/{stores.PEARS}"),
        (Kind.NOT_REGISTERED, "probe/02BB0000000000FF"),
        (Kind.MIXED_FIRMWARE, "hardware/P1"),
    }
    assert {one["subject"] for one in report["problems"]} == {f"probe/{stores.PEARS}"}


#: Which of three probes, the hour, the SNR, and whether the soil is frozen.
_UPLINK = st.tuples(st.integers(0, 2), st.integers(0, 12), st.sampled_from([-11.0, -9.0, 2.0]), st.booleans())


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    uplinks=st.lists(_UPLINK, min_size=4, max_size=39, unique_by=lambda told: told[:2]),
    after=st.integers(0, 5),
    parts=st.integers(1, 5),
    data=st.data(),
)
def test_any_order_of_uplinks_and_turns_leaves_the_same_problems_in_force(stores, uplinks, after, parts, data):
    """Promise 3 for problems: they depend on the set of uplinks and the instant alone, as does when a silence began."""
    probes = (stores.BARLEY, stores.PEARS, "02BB0000000000FF")

    def made(probe, hour, snr_db, cold):
        heard = (Reception(gateway=f"gw-{probe % 2}", snr_db=snr_db),)
        degc = -3.0 if cold else 9.0
        return stores.v1(probes[probe], hour, 1800 - hour, degc, receptions=heard, spreading_factor=9)

    def in_force(life):
        return {
            (one.kind.value, one.subject, one.since if one.kind in OF_SILENCE else None)
            for one in stored_problems(life.store)
        }

    end = max(hour for _, hour, _, _ in uplinks) + after + 0.1
    shuffled = data.draw(st.permutations(uplinks), label="order")
    name = f"life{next(_NUMBERS)}"
    with Life(stores, stores.folder / f"{name}a.duckdb") as one:
        now = 0.0
        for part in range(parts):
            one.hear(*(made(*uplink) for uplink in shuffled[part::parts]))
            now = min(now + data.draw(st.integers(0, 9), label="hours until the turn"), end)
            one.turn(now)
        one.turn(end)
        piecemeal = in_force(one)
    with Life(stores, stores.folder / f"{name}b.duckdb") as other:
        other.hear(*(made(*uplink) for uplink in sorted(uplinks)))
        other.turn(end)
        assert in_force(other) == piecemeal
