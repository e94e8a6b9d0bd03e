"""When a problem begins and when it ends: the rules of `core.fleet_problems`, whose figures are common practice."""

from __future__ import annotations

from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.fleet_problems import (
    LEAST_SLOTS,
    Heard,
    Moment,
    ProbeFacts,
    Told,
    firmware_problems,
    forgotten_after_us,
    gateway_due,
    gateway_problems,
    probe_due,
    probe_problems,
    store_problems,
    usual_interval_us,
)
from loamline.core.problem_kinds import Kind

MINUTE = 60_000_000
HOUR = 60 * MINUTE
#: An instant by which a probe of these tests was placed for long.
START = 1_000 * HOUR


def hourly(uplinks=24, margin_db=10.0, every=HOUR):
    return tuple(Heard(START + number * every, margin_db) for number in range(uplinks))


def facts(heard=(), told=(), *, registered=True, placed_since_us=0):
    return ProbeFacts("02BB000000000001", registered, placed_since_us, tuple(heard), tuple(told))


def kinds(probe, now, newest=None):
    return [problem.kind for problem in probe_problems(probe, Moment(now, now if newest is None else newest))]


# Silence ---------------------------------------------------------------------------------------------


def test_an_hourly_probe_is_silent_150_minutes_after_its_last_uplink_and_since_that_uplink():
    probe = facts(hourly())
    last = probe.heard[-1].at_us
    assert kinds(probe, last + 150 * MINUTE) == []
    (problem,) = probe_problems(probe, Moment(last + 150 * MINUTE + 1, last + 150 * MINUTE + 1))
    assert (problem.kind, problem.since_us, problem.detail) == (Kind.SILENT, last, "usual interval 60 min")


@pytest.mark.parametrize(("every", "patience"), [(4 * HOUR, 10 * HOUR), (10 * MINUTE, 150 * MINUTE)])
def test_silence_is_two_and_a_half_of_the_probes_own_intervals_and_150_minutes_at_least(every, patience):
    probe = facts(hourly(every=every))
    last = probe.heard[-1].at_us
    assert kinds(probe, last + patience) == []
    assert kinds(probe, last + patience + 1) == [Kind.SILENT]


def test_a_lost_uplink_or_two_do_not_change_the_usual_interval():
    heard = [one for number, one in enumerate(hourly()) if number not in (7, 15)]
    assert usual_interval_us(heard) == HOUR


def test_fewer_than_three_uplinks_tell_no_interval_of_their_own():
    assert usual_interval_us(hourly(2, every=9 * HOUR)) == HOUR
    assert usual_interval_us(hourly(3, every=9 * HOUR)) == 9 * HOUR


def test_while_nobody_is_heard_no_single_probe_is_silent_and_the_store_is():
    probe = facts(hourly())
    last = probe.heard[-1].at_us
    assert kinds(probe, last + 99 * HOUR, newest=last) == []
    assert store_problems(Moment(last + 150 * MINUTE, last)) == []
    (problem,) = store_problems(Moment(last + 150 * MINUTE + 1, last))
    assert (problem.kind, problem.since_us) == (Kind.NOTHING_HEARD, last)
    assert store_problems(Moment(last, None)) == []


def test_an_uplink_stamped_ahead_of_our_clock_makes_nobody_silent():
    probe = facts(hourly())
    last = probe.heard[-1].at_us
    assert kinds(probe, last + HOUR, newest=last + 500 * HOUR) == []


def test_a_probe_that_is_not_placed_may_be_silent():
    probe = facts(hourly(), placed_since_us=None)
    assert kinds(probe, START + 500 * HOUR) == []


def test_a_new_probe_has_an_hour_for_its_first_message():
    """Common practice: joining and the first measurement may take that long."""
    probe = facts(placed_since_us=START)
    assert kinds(probe, START + HOUR) == []
    (problem,) = probe_problems(probe, Moment(START + HOUR + 1, None))
    assert (problem.kind, problem.since_us) == (Kind.NEVER_HEARD, START)


def test_a_probe_placed_again_has_its_hour_too():
    placed = START + 1_000 * HOUR
    probe = facts(hourly(), placed_since_us=placed)
    assert kinds(probe, placed + HOUR) == []
    (problem,) = probe_problems(probe, Moment(placed + HOUR + 1, placed + HOUR + 1))
    assert (problem.kind, problem.since_us) == (Kind.SILENT, placed)


@given(st.lists(st.integers(0, 5_000), min_size=1, max_size=24, unique=True), st.integers(0, 20_000))
def test_silence_begins_exactly_when_it_is_due(minutes, later):
    """What the heap of due instants relies on: before it nothing changes by itself, after it it has changed."""
    probe = facts([Heard(START + minute * MINUTE, nan) for minute in sorted(minutes)])
    now = probe.heard[-1].at_us + later * MINUTE
    due = probe_due(probe)
    assert due.now_us is None
    assert due.heard_until_us is not None
    assert (Kind.SILENT in kinds(probe, now)) == (now > due.heard_until_us)


# Strangers, gateways, firmware ----------------------------------------------------------------------


def test_a_stranger_is_told_since_it_was_heard_and_forgotten_after_a_week_without_an_uplink():
    probe = facts(hourly(3), registered=False, placed_since_us=None)
    last = probe.heard[-1].at_us
    (problem,) = probe_problems(probe, Moment(last, last))
    assert (problem.kind, problem.since_us, problem.detail) == (Kind.NOT_REGISTERED, START, "3 uplinks of late")
    assert kinds(probe, last + 7 * 24 * HOUR) == [Kind.NOT_REGISTERED]
    assert kinds(probe, last + 7 * 24 * HOUR + 1) == []


def test_a_gateway_is_quiet_after_twice_its_own_longest_pause():
    slots = [START + number * HOUR for number in range(12)]
    slots = [*slots[:6], *(slot + 5 * HOUR for slot in slots[6:])]
    assert gateway_due(slots).heard_until_us == slots[-1] + 12 * HOUR
    assert gateway_problems(slots, Moment(slots[-1] + 12 * HOUR, slots[-1] + 12 * HOUR)) == []
    (problem,) = gateway_problems(slots, Moment(slots[-1] + 13 * HOUR, slots[-1] + 13 * HOUR))
    assert (problem.kind, problem.since_us) == (Kind.GATEWAY_QUIET, slots[-1])


def test_a_gateway_quiet_for_30_days_is_taken_to_be_gone_and_a_passing_one_is_never_asked_after():
    slots = [START + number * HOUR for number in range(LEAST_SLOTS)]
    gone = forgotten_after_us(slots)
    assert gone == slots[-1] + 30 * 24 * HOUR
    assert [problem.kind for problem in gateway_problems(slots, Moment(gone, gone))] == [Kind.GATEWAY_QUIET]
    assert gateway_problems(slots, Moment(gone + 1, gone + 1)) == []
    assert gateway_problems(slots[1:], Moment(gone, gone)) == []


def test_two_firmware_versions_on_one_hardware_are_a_mix_and_one_is_not():
    (problem,) = firmware_problems({"2.6": 3, "2.5": 40, "1.0": 0}, START)
    assert (problem.kind, problem.detail) == (Kind.MIXED_FIRMWARE, "2.5 on 40, 2.6 on 3")
    assert firmware_problems({"2.5": 40, "1.0": 0}, START) == []


# What readings and links say -------------------------------------------------------------------------


def told(name, *said):
    return [Told(START + number * HOUR, **{name: word}) for number, word in enumerate(said)]


@pytest.mark.parametrize(
    ("name", "kind", "said", "since_hour"),
    [
        ("low_supply", Kind.LOW_SUPPLY, (True,), None),
        ("low_supply", Kind.LOW_SUPPLY, (True, False, True), None),
        ("low_supply", Kind.LOW_SUPPLY, (False, True, None, True), 1),
        ("low_supply", Kind.LOW_SUPPLY, (True, True, False, False), 0),
        ("low_supply", Kind.LOW_SUPPLY, (True, True, False, False, False), None),
        ("stuck", Kind.STUCK, (False, True), 1),
        ("stuck", Kind.STUCK, (True, False, True, False), 0),
        ("stuck", Kind.STUCK, (True, False, False), None),
        ("frost", Kind.FROST, (True, None, None), 0),
        ("frost", Kind.FROST, (True, False, None, False), None),
    ],
)
def test_a_check_begins_and_ends_with_so_many_uplinks_in_a_row(name, kind, said, since_hour):
    """Uplinks of which the check says nothing count neither way."""
    probe = facts(hourly(1), told(name, *said))
    found = {problem.kind: problem.since_us for problem in probe_problems(probe, Moment(START, START))}
    assert found == ({} if since_hour is None else {kind: START + since_hour * HOUR})


@pytest.mark.parametrize(
    ("margins", "weak"),
    [
        ((2.9,) * 4, False),
        ((2.9,) * 5, True),
        ((3.0,) * 9, False),
        ((10.0, 10.0, 2.0, 2.0, 2.0), True),
        ((2.9,) * 5 + (4.9,) * 5, True),
        ((2.9,) * 5 + (5.0,) * 5, False),
        ((2.9,) * 3 + (nan,) * 9 + (2.9,) * 2, True),
    ],
)
def test_a_link_is_weak_under_3_db_until_5_db_by_the_median_of_five_uplinks(margins, weak):
    heard = [Heard(START + number * HOUR, margin) for number, margin in enumerate(margins)]
    assert (kinds(facts(heard), heard[-1].at_us) == [Kind.WEAK_LINK]) == weak


def test_conflicts_are_told_since_the_first_that_is_left_and_counted():
    said = [Told(START), Told(START + HOUR, conflicts=1), Told(START + 2 * HOUR, conflicts=2)]
    (problem,) = probe_problems(facts(hourly(1), said), Moment(START, START))
    assert (problem.kind, problem.since_us, problem.detail) == (Kind.CONFLICTS, START + HOUR, "3 of late")
    assert kinds(facts(hourly(1), said[:1]), START) == []


def test_problems_of_a_probe_come_the_gravest_first():
    said = [Told(START + hour * HOUR, low_supply=True, stuck=True, frost=True, conflicts=1) for hour in range(3)]
    probe = facts(hourly(9, margin_db=-1.0), said)
    assert kinds(probe, START + 99 * HOUR) == [
        Kind.SILENT,
        Kind.LOW_SUPPLY,
        Kind.STUCK,
        Kind.WEAK_LINK,
        Kind.FROST,
        Kind.CONFLICTS,
    ]


def test_every_kind_says_what_to_do_in_a_sentence_and_has_a_gravity_of_its_own():
    assert [kind.gravity for kind in Kind] == list(range(len(Kind)))
    assert all(kind.what_to_do.endswith(".") for kind in Kind)
