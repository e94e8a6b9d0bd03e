"""Which deliveries are one uplink (design rule: ten minutes, single linkage) and what the merged uplink says."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.columns import MINUTE_US
from loamline.core.identity import merge
from tests.core.delivery_builder import START, delivery, log, measurement_v1, reception


def groups(table):
    """Return which rows were merged, as sorted lists in order of their first row."""
    found = {}
    for row, uplink in enumerate(merge(table).uplink_of.tolist()):
        found.setdefault(uplink, []).append(row)
    return sorted(found.values())


# --- ten minutes, single linkage ----------------------------------------------------------------------------------


def test_deliveries_exactly_ten_minutes_apart_are_one_uplink():
    assert groups(log(delivery(0), delivery(10))) == [[0, 1]]


def test_deliveries_a_microsecond_more_than_ten_minutes_apart_are_two():
    assert groups(log(delivery(0), delivery(10 + 1e-6 / 60))) == [[0], [1]]


def test_a_delivery_between_two_distant_ones_makes_all_three_one_uplink():
    assert groups(log(delivery(0), delivery(16))) == [[0], [1]]
    assert groups(log(delivery(0), delivery(16), delivery(8))) == [[0, 1, 2]]


def test_the_merged_uplink_was_heard_when_its_earliest_delivery_was():
    merged = merge(log(delivery(7), delivery(2), delivery(9)))
    assert merged.heard_at_us.tolist() == [int(START.timestamp()) * 1_000_000 + 2 * MINUTE_US]
    assert merged.first.tolist() == [1]


def test_no_deliveries_are_no_uplinks():
    merged = merge(log())
    assert len(merged.first) == len(merged.uplink_of) == len(merged.gateways) == 0


# --- what has to agree --------------------------------------------------------------------------------------------


def test_a_16_bit_counter_and_its_32_bit_form_are_the_same_and_the_wider_one_is_kept():
    """70000 = 65536 + 4464: one network server gives the whole counter, another the 16 bits on the air."""
    table = log(delivery(0, fcnt=4464), delivery(1, fcnt=70_000))
    assert groups(table) == [[0, 1]]
    assert merge(table).fcnt.tolist() == [70_000]


@pytest.mark.parametrize(
    "other",
    [
        {"payload": measurement_v1(1851)},
        {"fport": 11},
        {"dev_addr": "26000002"},
        {"dev_addr": None},
        {"fcnt": 8},
        {"probe": 2},
    ],
    ids=lambda other: next(iter(other)),
)
def test_deliveries_that_differ_in_anything_that_names_the_uplink_stay_apart(other):
    assert groups(log(delivery(0), delivery(1, **other))) == [[0], [1]]


def test_two_deliveries_without_a_dev_addr_are_one_uplink():
    assert groups(log(delivery(0, dev_addr=None), delivery(1, dev_addr=None))) == [[0, 1]]


# --- messages that carry no time ----------------------------------------------------------------------------------


def test_a_delivery_stamped_by_our_own_clock_joins_the_same_uplink_whenever_it_came():
    """A redelivery after three days of broker outage: its time says when it reached us, not when it was heard."""
    days = 3 * 24 * 60
    assert groups(log(delivery(0), delivery(days))) == [[0], [1]]
    assert groups(log(delivery(0), delivery(days, clock="ours"))) == [[0, 1]]
    assert groups(log(delivery(0, clock="ours"), delivery(days, clock="ours"))) == [[0, 1]]


def test_a_delivery_stamped_by_our_own_clock_stays_apart_from_another_session():
    assert groups(log(delivery(0), delivery(5000, clock="ours", dev_addr="26000002"))) == [[0], [1]]


def test_a_gateways_time_is_as_good_as_the_networks():
    assert groups(log(delivery(0), delivery(11, clock="gateway"))) == [[0], [1]]


# --- receptions ---------------------------------------------------------------------------------------------------


def test_receptions_are_the_union_and_a_gateway_counts_once():
    merged = merge(
        log(
            delivery(0, receptions=(reception("east", -110, -3), reception("west", -101, 4))),
            delivery(1, receptions=(reception("west", -101, 4), reception("hill", -118, -9))),
        )
    )
    assert merged.gateways.tolist() == [3]
    assert merged.best_rssi_dbm.tolist() == [-101]
    assert merged.best_snr_db.tolist() == [4]


def test_of_two_reports_by_one_antenna_the_one_with_the_better_snr_is_kept_whole():
    """The dropped report's stronger RSSI goes with it, whichever delivery came first."""
    kept, dropped = reception("east", -100, 5, antenna=0), reception("east", -90, 3, antenna=0)
    for first, second in ((kept, dropped), (dropped, kept)):
        merged = merge(log(delivery(0, receptions=(first,)), delivery(1, receptions=(second,))))
        assert (merged.gateways.tolist(), merged.best_rssi_dbm.tolist()) == ([1], [-100])


def test_two_antennas_of_one_gateway_are_two_receptions_of_one_gateway():
    both = (reception("east", -100, 5, antenna=0), reception("east", -90, 3, antenna=1))
    merged = merge(log(delivery(0, receptions=both)))
    assert merged.gateways.tolist() == [1]
    assert (merged.best_rssi_dbm.tolist(), merged.best_snr_db.tolist()) == ([-90], [5])


def test_a_zero_is_a_zero_whichever_sign_and_order_it_came_in():
    """Bit for bit: the greater of 0.0 and -0.0 would depend on which came first."""
    both = (reception("east", -0.0, -0.0), reception("west", 0.0, 0.0))
    for order in (both, both[::-1]):
        merged = merge(log(delivery(0, receptions=order[:1]), delivery(1, receptions=order[1:])))
        assert not np.signbit([*merged.best_rssi_dbm, *merged.best_snr_db]).any()
    assert not np.signbit(merge(log(delivery(0, receptions=both[:1]))).best_snr_db).any()


def test_radio_figures_that_nobody_told_are_nan():
    merged = merge(log(delivery(0), delivery(0, fcnt=8, receptions=(reception("east", None, None),))))
    by_fcnt = np.argsort(merged.fcnt)
    assert merged.gateways[by_fcnt].tolist() == [0, 1]
    assert np.isnan(merged.best_rssi_dbm).all()
    assert np.isnan(merged.best_snr_db).all()


# --- any order ----------------------------------------------------------------------------------------------------

rows = st.lists(
    st.builds(
        delivery,
        st.integers(0, 60).map(lambda half: half / 2),
        clock=st.sampled_from(["network", "network", "gateway", "ours"]),
        probe=st.integers(1, 2),
        fcnt=st.sampled_from([5, 6, 65541]),
        dev_addr=st.sampled_from(["26000001", None]),
        payload=st.sampled_from([measurement_v1(count) for count in (1850, 1851)]),
        receptions=st.lists(
            st.builds(
                reception,
                st.sampled_from(["east", "west"]),
                st.sampled_from([None, -100.0, -90.0]),
                st.sampled_from([None, -3.0, 5.0]),
                st.sampled_from([None, 0, 1]),
            ),
            max_size=3,
        ).map(tuple),
    ),
    min_size=1,
    max_size=9,
)


def told(table, numbers):
    """Return everything that the merge says, in words that don't depend on the order of rows or of uplinks."""
    merged = merge(table)
    digests = table.column("digest").to_pylist()
    members = [sorted(numbers[row] for row in np.flatnonzero(merged.uplink_of == u)) for u in range(len(merged.first))]
    columns = (merged.probe_id, merged.heard_at_us, merged.fcnt, merged.gateways)
    radio = np.nan_to_num(np.stack([merged.best_rssi_dbm, merged.best_snr_db]), nan=-999.0)
    facts = zip(*(column.tolist() for column in (*columns, *radio)), strict=True)
    return sorted(zip(members, [digests[row] for row in merged.first], facts, strict=True))


@settings(max_examples=60, deadline=None)
@given(data=st.data(), deliveries=rows)
def test_any_order_of_rows_gives_the_same_uplinks(data, deliveries):
    order = data.draw(st.permutations(range(len(deliveries))))
    assert told(log(*deliveries), list(range(len(deliveries)))) == told(log(*(deliveries[i] for i in order)), order)
