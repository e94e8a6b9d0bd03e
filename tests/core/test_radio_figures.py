"""Radio figures of links, probes and gateways: delivery, margin, trend, who alone hears whom, and days of loss."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.columns import DAY_US
from loamline.core.identity import merge, sessions
from loamline.core.radio import expected_signal_power_dbm
from loamline.core.radio_links import heard, lost_by_day
from loamline.core.radio_report import BlockFigures, block_figures, put_together
from loamline.core.radio_sheet import sheet
from loamline.core.trends import daily_medians, trend
from tests.core.delivery_builder import START, delivery, log, reception

START_US = int(START.timestamp()) * 1_000_000
FOREVER = START_US + 1000 * DAY_US


def spread_over(rows: pa.Table, factor: int) -> pa.Table:
    """Return deliveries as sent with one spreading factor."""
    at = rows.column_names.index("spreading_factor")
    return rows.set_column(at, "spreading_factor", pa.array([factor] * rows.num_rows, pa.uint8()))


def report(*rows: pa.Table):
    return put_together([block_figures(spread_over(log(*rows), 9), FOREVER)])


@given(st.floats(-140, -30), st.floats(-25, 40))
def test_the_signals_own_power_is_never_more_than_the_rssi(rssi_dbm, snr_db):
    """RSSI is signal plus noise."""
    assert expected_signal_power_dbm(np.array(rssi_dbm), np.array(snr_db)) <= rssi_dbm


def test_delivery_of_a_link_is_over_what_the_probe_sent_and_of_a_gateway_over_what_its_probes_sent():
    """Probe 1: five sent, four heard, a hears three of them, b two; probe 2: two sent, a hears both."""
    a, b = reception("a", -100, -2.5), reception("b", -110, -9.5)
    told = report(
        delivery(0, fcnt=1, receptions=(a,)),
        delivery(60, fcnt=2, receptions=(a, b)),
        delivery(180, fcnt=4, receptions=(b,)),
        delivery(240, fcnt=5, receptions=(a,)),
        delivery(0, probe=2, fcnt=1, receptions=(a,)),
        delivery(60, probe=2, fcnt=2, receptions=(a,)),
    )
    one, two = told.probes
    assert (one.uplinks, one.lost, one.delivery_ratio, one.gateways, one.only_gateway) == (4, 1, 0.8, 2, None)
    assert (two.uplinks, two.lost, two.delivery_ratio, two.gateways, two.only_gateway) == (2, 0, 1.0, 1, "a")
    assert [(link.probe_id, link.gateway, link.delivery_ratio) for link in told.links] == [
        (1, "a", 0.6),
        (1, "b", 0.4),
        (2, "a", 1.0),
    ]
    # SF9 needs -12.5 dB (SX1276 data sheet).
    assert [link.margin_db for link in told.links] == [10.0, 3.0, 10.0]
    assert one.margin_db == 10.0
    first, second = told.gateways
    assert (first.gateway, first.probes, first.only_here, first.uplinks) == ("a", 2, 1, 5)
    assert first.delivery_ratio == pytest.approx(5 / 7)
    assert (second.gateway, second.probes, second.only_here, second.delivery_ratio) == ("b", 1, 0, 0.4)


def test_deliveries_of_one_uplink_count_once_and_antennas_of_one_gateway_with_the_better():
    two = (reception("a", -90, 1.0, 0), reception("a", -95, 2.0, 1))
    rows = log(delivery(0, receptions=two), delivery(1, receptions=(reception("a", -99, 1.5, 0),)))
    told = heard(rows, merge(rows).uplink_of)
    assert (told.uplink.tolist(), [told.names[at] for at in told.gateway]) == ([0], ["a"])
    assert (told.rssi_dbm.tolist(), told.snr_db.tolist()) == ([-95.0], [2.0])


def test_a_gateway_that_told_no_snr_has_a_delivery_and_no_margin():
    told = report(delivery(0, receptions=(reception("a", -100, None),)))
    assert told.links[0].delivery_ratio == 1.0
    assert np.isnan([told.links[0].margin_db, told.links[0].signal_dbm, told.gateways[0].margin_db]).all()


def test_levels_that_no_receiver_tells_are_not_told():
    """A faulty server may send any finite number: it must not carry into a figure."""
    told = report(delivery(0, receptions=(reception("a", 1e308, -1e308), reception("b", -100, -2.5))))
    assert np.isnan([told.links[0].margin_db, told.links[0].signal_dbm]).all()
    assert told.links[1].margin_db == 10.0
    assert report(delivery(0, receptions=(reception("a", 1.0, 1e308),))).probes[0].only_gateway == "a"


def test_an_uplink_without_receptions_was_heard_by_no_gateway_known():
    told = report(delivery(0))
    assert (told.probes[0].gateways, told.probes[0].only_gateway, told.links, told.gateways) == (0, None, [], [])


def test_no_deliveries_are_no_figures():
    told = put_together([block_figures(log(), FOREVER), BlockFigures.none()])
    assert (told.probes, told.links, told.gateways, len(told.calendar.day)) == ([], [], [], 0)


def days_of_loss(at_us, counts, until_us=FOREVER):
    """Return uplinks lost by day after START of a probe heard at those instants with those counters."""
    at, fcnt, one = np.array(at_us), np.array(counts), np.ones(len(counts), np.int64)
    told = lost_by_day(one, at, sessions(one, at, one, fcnt), until_us)
    by_day: dict[int, int] = {}
    for day, lost in zip(told.day.tolist(), told.lost.tolist(), strict=True):
        by_day[day] = by_day.get(day, 0) + lost
    return by_day


def test_losses_fall_on_the_days_between_the_two_uplinks_heard():
    """Six-hourly from 03:00: of the eleven lost, three that day, then four each, and none after the last heard."""
    quarter = DAY_US // 4
    assert days_of_loss([quarter // 2, quarter // 2 + 12 * quarter], [1, 13]) == {0: 3, 1: 4, 2: 4}


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 3000)), min_size=2, max_size=12))
def test_days_of_loss_add_up_to_the_losses_and_lie_between_first_and_last(steps):
    hours = np.cumsum([hour for hour, _ in steps]) * (DAY_US // 24)
    counts = np.cumsum([count for _, count in steps])
    one = np.ones(len(steps), np.int64)
    lost = int(sessions(one, hours, one, counts).lost_before.sum())
    told = days_of_loss(hours, counts)
    assert sum(told.values()) == lost
    assert all(hours[0] // DAY_US <= day <= hours[-1] // DAY_US for day in told)


def test_a_gap_of_many_uplinks_costs_days_and_not_uplinks():
    """A counter of 32 bits that leaps is told as it stands, in no more rows than there are days."""
    assert sum(days_of_loss([0, 2 * DAY_US], [1, 4_000_000_000]).values()) == 3_999_999_998


def test_two_clocks_that_disagree_lose_nothing_of_the_count():
    assert days_of_loss([DAY_US, DAY_US - 60_000_000], [14, 16]) == {0: 1}


@given(st.integers(-20, 20), st.integers(14, 60), st.floats(-40, 40))
def test_a_straight_line_has_its_own_slope_and_no_doubt(slope, days, level):
    told = trend(np.arange(days + 1), level + slope / 30.0 * np.arange(days + 1))
    assert told is not None
    assert (told.per_30_days, told.low, told.high) == pytest.approx((slope, slope, slope), abs=1e-6)


def test_a_trend_takes_no_notice_of_a_few_outliers():
    values = np.linspace(0, -6, 61)
    values[[7, 20, 33, 50]] = [40, -40, 40, -40]
    told = trend(np.arange(61), values)
    assert told is not None
    assert told.per_30_days == pytest.approx(-3.0, abs=0.05)
    assert told.low <= told.per_30_days <= told.high < 0


@pytest.mark.parametrize("days", [range(13), [*range(7), *range(7, 14)], []])
def test_under_two_weeks_there_is_not_enough_data(days):
    assert trend(np.array(days, dtype=np.int64), np.zeros(len(days))) is None


def test_a_long_record_is_thinned_and_keeps_its_slope():
    told = trend(np.arange(5000), np.arange(5000) / 30.0)
    assert told is not None
    assert (told.per_30_days, told.days) == (pytest.approx(1.0), 5000)


def test_daily_medians_are_by_the_utc_day_and_leave_out_what_is_unknown():
    at = np.array([0, 1, 2, DAY_US, DAY_US + 1, 5 * DAY_US])
    days, medians = daily_medians(at, np.array([1.0, 9.0, 2.0, 4.0, 8.0, np.nan]))
    assert (days.tolist(), medians.tolist()) == ([0, 1], [2.0, 6.0])


def test_a_gateways_trend_is_of_its_probes_own_and_not_of_who_comes_and_goes():
    """A near probe that stops and a far one that starts move the pooled margin, but no probe's own."""
    near = [
        delivery(1440 * day, fcnt=day, receptions=(reception("a", -80, 5.0),), payload=f"{day:02x}")
        for day in range(20)
    ]
    far = [
        delivery(1440 * day, probe=2, fcnt=day, receptions=(reception("a", -115, -10.0),), payload=f"{day:02x}")
        for day in range(20, 40)
    ]
    (gateway,) = report(*near, *far).gateways
    assert gateway.trend is not None
    assert gateway.trend.per_30_days == 0.0


def test_a_sheet_has_the_poorest_first_and_says_what_found_no_room():
    a, b = reception("a", -100, -2.5), reception("b", -110, -9.5)
    told = report(
        delivery(0, fcnt=1, receptions=(a,)),
        delivery(1440, fcnt=2, receptions=(a, b)),
        delivery(0, probe=2, fcnt=1, receptions=(a,)),
        delivery(2880, probe=2, fcnt=5, receptions=(a,)),
    )
    until = START_US + 3 * DAY_US
    drawn = sheet(told, START_US, until)
    assert (drawn.probes, drawn.gateways, drawn.left_out) == ([2, 1], ["a", "b"], (0, 0))
    np.testing.assert_array_equal(drawn.share, [[0.4, np.nan], [1.0, 0.5]])
    assert drawn.only.tolist() == [0, -1]
    assert drawn.received.tolist() == [[1, 0, 1, 0], [1, 1, 0, 0]]
    assert drawn.lost.sum(axis=1).tolist() == [3, 0]
    small = sheet(told, START_US, until, most_probes=1, most_gateways=1, most_columns=2)
    assert (small.probes, small.left_out, small.days_each) == ([2], (1, 1), 2)
    assert small.received.tolist() == [[1, 1]]
