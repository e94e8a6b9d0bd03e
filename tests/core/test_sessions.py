"""LoRaWAN sessions: rollover of the 16-bit counter, restarts, new addresses, disorder, and what was lost."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.columns import HOUR_US
from loamline.core.identity import Sessions, sessions


def heard(*counters, dev_addr=1, probe=1) -> Sessions:
    """Return the sessions of hourly uplinks with these counters; an address or probe may be told one by one."""
    n = len(counters)
    return sessions(
        np.broadcast_to(probe, n).astype(np.int64),
        np.arange(n, dtype=np.int64) * HOUR_US,
        np.broadcast_to(dev_addr, n).astype(np.int64),
        np.array(counters, dtype=np.int64),
    )


def test_every_missing_counter_is_a_lost_uplink_just_before_the_next_one_heard():
    assert heard(10, 11, 14, 15).lost_before.tolist() == [0, 0, 2, 0]


def test_nothing_is_known_of_losses_before_the_first_uplink_heard():
    assert heard(500).lost_before.tolist() == [0]


def test_a_16_bit_counter_that_rolls_over_goes_on_in_the_same_session():
    """LoRaWAN 1.0.3 section 4.3.1.5: the received 16 bits stand for the next greater 32-bit counter."""
    told = heard(65534, 65535, 0, 3)
    assert told.session.tolist() == [0, 0, 0, 0]
    assert told.fcnt32.tolist() == [65534, 65535, 65536, 65539]
    assert told.lost_before.tolist() == [0, 0, 0, 2]


@pytest.mark.parametrize(("difference", "session"), [(16383, 0), (16385, 1)])
def test_a_fall_is_a_rollover_only_if_the_counter_went_on_by_less_than_the_largest_gap(difference, session):
    """MAX_FCNT_GAP of LoRaWAN 1.0.3 is 16384; for exactly that the text is ambiguous, and no test decides."""
    told = heard(60_000, (60_000 + difference) & 0xFFFF)
    assert told.session.tolist() == [0, session]


def test_rollovers_add_up():
    counters = [count & 0xFFFF for count in range(0, 210_000, 10_000)]
    assert heard(*counters).fcnt32.tolist() == list(range(0, 210_000, 10_000))


def test_a_32_bit_counter_needs_no_widening():
    told = heard(65535, 65536, 65538)
    assert told.fcnt32.tolist() == [65535, 65536, 65538]
    assert told.lost_before.tolist() == [0, 0, 1]
    assert heard(1, 65536).lost_before.tolist() == [0, 65534]


@pytest.mark.parametrize("last", [65536, 70_000])
def test_a_fall_of_a_32_bit_counter_is_a_restart_and_no_rollover(last):
    told = heard(last, 10)
    assert (told.session.tolist(), told.fcnt32.tolist()) == ([0, 1], [last, 10])


def test_the_same_counter_again_stays_in_its_session():
    """Two payloads under one counter; equal ones were merged before."""
    assert heard(5, 5, 6).session.tolist() == [0, 0, 0]


def test_a_fall_to_a_small_count_is_a_restart_and_loses_nothing():
    told = heard(900, 901, 0, 1, 3)
    assert told.session.tolist() == [0, 0, 1, 1, 1]
    assert told.fcnt32.tolist() == [900, 901, 0, 1, 3]
    assert told.lost_before.tolist() == [0, 0, 0, 0, 1]


def test_a_new_dev_addr_starts_a_session_even_where_the_counter_goes_on():
    told = heard(10, 11, 12, 13, dev_addr=[1, 1, 2, 2])
    assert told.session.tolist() == [0, 0, 1, 1]
    assert heard(10, 11, 40, dev_addr=[1, 1, 2]).lost_before.tolist() == [0, 0, 0]


def test_the_dev_addr_00000000_is_an_address_like_any_other():
    assert heard(10, 11, 12, dev_addr=[1, 0, 1]).session.tolist() == [0, 1, 2]


def test_an_uplink_without_a_dev_addr_stays_in_the_session_that_its_counter_continues():
    told = heard(10, 11, 12, dev_addr=[1, -1, 1])
    assert told.session.tolist() == [0, 0, 0]


def test_a_new_dev_addr_behind_an_uplink_without_one_starts_a_session_all_the_same():
    """The one between goes on in the session that its counter continues."""
    assert heard(10, 11, 12, 13, dev_addr=[1, -1, 2, 2]).session.tolist() == [0, 0, 1, 1]
    assert heard(10, 11, 12, 13, dev_addr=[1, -1, -1, 2]).session.tolist() == [0, 0, 0, 1]
    assert heard(10, 11, 40, dev_addr=[1, -1, 2]).lost_before.tolist() == [0, 0, 0]


def test_a_restart_without_a_dev_addr_takes_the_address_that_comes_next():
    """Counter 0 begins a session; which address it has, the next uplink tells, and no other session begins there."""
    told = heard(900, 0, 1, 2, dev_addr=[1, -1, 2, -1])
    assert told.session.tolist() == [0, 1, 1, 1]
    assert heard(900, 0, 1, 2, dev_addr=[1, -1, -1, 1]).session.tolist() == [0, 1, 1, 1]


def test_an_address_of_another_probe_is_no_address_of_this_one():
    assert heard(10, 11, 12, 13, dev_addr=[1, 1, -1, 2], probe=[1, 1, 2, 2]).session.tolist() == [0, 0, 0, 0]


def test_two_addresses_at_one_instant_are_sessions_in_order_of_the_address():
    """Whichever row comes first."""
    ones = np.ones(2, dtype=np.int64)
    for addresses in ([7, 9], [9, 7]):
        told = sessions(ones, ones, np.array(addresses), ones)
        assert told.session[np.argsort(addresses)].tolist() == [0, 1]


def test_rollovers_are_counted_afresh_in_every_session():
    told = heard(65535, 1, 100, 101, dev_addr=[1, 1, 2, 2])
    assert told.fcnt32.tolist() == [65535, 65537, 100, 101]


@pytest.mark.parametrize("behind", [1, 8])
def test_a_counter_a_little_behind_is_two_clocks_disagreeing_and_no_restart(behind):
    """Up to 8 behind (common practice); what is merely late is not lost."""
    told = heard(100, 100 - behind, 101)
    assert told.session.tolist() == [0, 0, 0]
    assert told.lost_before.tolist() == [behind - 1, 0, 0]


def test_a_counter_9_behind_is_a_restart():
    assert heard(100, 91).session.tolist() == [0, 1]


def test_a_fall_to_8_or_less_is_a_restart_however_short():
    assert heard(12, 9).session.tolist() == [0, 0]
    assert heard(12, 8).session.tolist() == [0, 1]


def test_a_late_uplink_is_not_counted_as_lost_on_either_side_of_it():
    """Four counters in a row, two of them swapped: nothing is missing."""
    assert heard(10, 12, 11, 13).lost_before.tolist() == [0, 0, 0, 0]


def test_a_late_uplink_across_a_rollover_is_neither_a_loss_nor_a_second_rollover():
    told = heard(65534, 0, 65535, 1)
    assert told.session.tolist() == [0, 0, 0, 0]
    assert told.fcnt32.tolist() == [65534, 65536, 65535, 65537]
    assert told.lost_before.tolist() == [0, 0, 0, 0]


def test_across_a_rollover_as_well_8_behind_is_late_and_9_is_not():
    assert heard(65534, 7, 65535).fcnt32.tolist() == [65534, 65543, 65535]
    assert heard(65534, 8, 65535).fcnt32.tolist() == [65534, 65544, 131071]


def test_a_late_uplink_from_before_a_rollover_that_was_not_heard_itself():
    told = heard(0, 65535, 1)
    assert told.fcnt32.tolist() == [65536, 65535, 65537]
    assert told.lost_before.tolist() == [0, 0, 0]


def test_probes_have_sessions_of_their_own():
    told = heard(10, 11, 500, 502, probe=[1, 1, 2, 2])
    assert told.session.tolist() == [0, 0, 0, 0]
    assert told.lost_before.tolist() == [0, 0, 0, 1]


def test_no_uplinks_have_no_sessions():
    assert heard().session.tolist() == []


@settings(max_examples=60, deadline=None)
@given(data=st.data(), start=st.integers(0, 70_000), steps=st.lists(st.integers(1, 300), min_size=1, max_size=12))
def test_any_order_of_rows_gives_the_same_sessions(data, start, steps):
    """Also: whatever the losses, they add up to the span of the counters less the uplinks heard."""
    counters = np.cumsum([start, *steps])
    n = len(counters)
    order = np.array(data.draw(st.permutations(range(n))))
    hours = np.arange(n, dtype=np.int64) * HOUR_US
    ones = np.ones(n, dtype=np.int64)
    told = sessions(ones, hours, ones, counters & 0xFFFF)
    shuffled = sessions(ones, hours[order], ones, (counters & 0xFFFF)[order])
    for name in ("session", "fcnt32", "lost_before"):
        assert getattr(told, name)[order].tolist() == getattr(shuffled, name).tolist()
    assert (told.fcnt32 - told.fcnt32[0]).tolist() == (counters - counters[0]).tolist()
    assert told.lost_before.sum() == counters[-1] - counters[0] + 1 - n
