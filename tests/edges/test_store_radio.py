"""Radio and supply as the store tells them: over a span, in blocks, archived months alike, redeliveries once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from loamline.edges.store.archive import archive
from loamline.edges.store.connection import Store
from loamline.edges.store.radio import Span, microseconds, named_probes, radio_report, span_of
from loamline.edges.store.supply import in_use_since, supply_days
from loamline_codecs import builtin_codecs
from loamline_schemas.uplink import Reception

MANY_DAYS = 40


@pytest.fixture
def path(stores):
    """Return a store of 40 days, six-hourly: barley by two gateways, pears by one and with every third lost."""

    def heard(hour, *gateways):
        return {"receptions": tuple(Reception(gateway=name, rssi_dbm=-105, snr_db=db) for name, db in gateways)}

    hours = range(0, 24 * MANY_DAYS, 6)
    barley = [stores.v1(stores.BARLEY, hour, 1800, **heard(hour, ("gw-a", 3.5), ("gw-b", -6.5))) for hour in hours]
    pears = [
        stores.v1(stores.PEARS, hour, 1500, fcnt=at, **heard(hour, ("gw-b", -10.5 - hour / 720)))
        for at, hour in enumerate(hours)
        if at % 3 != 1
    ]
    again = [stores.v1(stores.BARLEY, 0, 1800, network="again", **heard(0, ("gw-c", -2.5)))]
    # Every uplink of barley counts six: they are numbered as they come.
    numbered = [uplink.model_copy(update={"fcnt": at}) for at, uplink in enumerate(barley)]
    return stores.make(numbered, pears, [again[0].model_copy(update={"fcnt": 0})])


def told(store, block=10**6, site=None, since=None, until=None):
    span = span_of(store, since, until, 365.0)
    return radio_report(store, span, named_probes(store, span.until, site), block)


def comparable(report):
    """Return a report as something that can be compared, arrays as lists and the unknown as text."""
    return str(
        (
            report.probes,
            [replace(link, days=None, daily_margin_db=None) for link in report.links],
            report.gateways,
            [column.tolist() for column in vars(report.calendar).values()],
        )
    )


def test_a_redelivery_is_no_uplink_and_its_gateway_counts(path, stores):
    with Store.open(path, writable=False) as store:
        report = told(store)
        names = named_probes(store, datetime(2026, 7, 1, tzinfo=UTC))
    barley, pears = report.probes
    assert [names[one.probe_id].serial for one in report.probes] == ["S-0001", "S-0002"]
    assert (barley.uplinks, barley.lost, barley.gateways, barley.only_gateway) == (160, 0, 3, None)
    assert (pears.uplinks, pears.lost, pears.gateways, pears.only_gateway) == (107, 53, 1, "gw-b")
    assert pears.delivery_ratio == pytest.approx(107 / 160)
    assert [(gateway.gateway, gateway.probes, gateway.only_here) for gateway in report.gateways] == [
        ("gw-a", 1, 0),
        ("gw-b", 2, 1),
        ("gw-c", 1, 0),
    ]


def test_a_margin_that_falls_is_told_with_its_slope(path):
    """The pears' SNR falls by 1 dB in 30 days; SF9 needs -12.5 dB (SX1276 data sheet)."""
    with Store.open(path, writable=False) as store:
        barley, pears = told(store).probes
    assert pears.trend is not None
    assert pears.trend.per_30_days == pytest.approx(-1.0, abs=0.02)
    assert pears.trend.high < 0
    assert barley.trend is not None
    assert barley.trend.low <= 0 <= barley.trend.high


def test_blocks_of_one_probe_give_the_same_as_one_block_of_all(path):
    with Store.open(path, writable=False) as store:
        assert comparable(told(store, block=1)) == comparable(told(store))


def test_archived_months_give_the_same(path, tmp_path):
    with Store.open(path) as store:
        before = comparable(told(store))
        used = in_use_since(store, datetime(2027, 1, 1, tzinfo=UTC), named_probes(store, datetime.now(UTC)))
        list(archive(store, tmp_path / "raw-log", datetime(2026, 8, 1, tzinfo=UTC), before="2026-06"))
        assert store.scalar("SELECT count(*) FROM uplink") < 160
        assert comparable(told(store)) == before
        later = in_use_since(store, datetime(2027, 1, 1, tzinfo=UTC), named_probes(store, datetime.now(UTC)))
        assert later == used


def test_a_span_leaves_out_its_beginning_and_has_its_end(path, stores):
    with Store.open(path, writable=False) as store:
        report = told(store, since=stores.START, until=stores.START + timedelta(hours=12))
    assert [one.uplinks for one in report.probes] == [2, 1]


def test_without_an_end_the_span_ends_with_the_newest_uplink(path, stores):
    with Store.open(path, writable=False) as store:
        span = span_of(store, None, None, 30.0)
    newest = stores.START + timedelta(hours=24 * MANY_DAYS - 6)
    assert span == Span(newest - timedelta(days=30), newest)


def test_an_empty_store_has_no_span(stores):
    with Store.open(stores.make(), writable=False) as store:
        assert span_of(store, None, None, 30.0) is None


def test_of_a_site_only_what_is_placed_there_is_told(path):
    with Store.open(path, writable=False) as store:
        assert [one.lost for one in told(store, site="Pear orchard").probes] == [53]
        names = named_probes(store, datetime(2019, 1, 1, tzinfo=UTC))
    assert {name.site for name in names.values()} == {None}


def test_the_calendar_adds_up_to_what_was_heard_and_lost(path):
    with Store.open(path, writable=False) as store:
        report = told(store)
    calendar = report.calendar
    for one in report.probes:
        mine = calendar.probe_id == one.probe_id
        assert (calendar.received[mine].sum(), calendar.lost[mine].sum()) == (one.uplinks, one.lost)
    assert np.all(np.diff(calendar.day[calendar.probe_id == 1]) > 0)


def test_supply_is_told_by_the_day_with_its_temperature(path):
    with Store.open(path, writable=False) as store:
        span = span_of(store, None, None, 365.0)
        days = dict(supply_days(store, span, named_probes(store, span.until)))
    assert [len(one.days) for one in days.values()] == [MANY_DAYS, MANY_DAYS]
    first = next(iter(days.values()))
    assert set(first.supply_v) == {3.6}
    assert set(first.soil_temperature_degc) == {15.0}


def test_a_status_tells_the_power_up_and_the_first_uplink_stands_in_for_it(path, stores):
    """The newest status counts: powered up 48 h before it."""
    told_at = stores.START + timedelta(days=50)
    codec = builtin_codecs().by_name("status-v1")
    fields = {
        "firmware": "2.5", "reset_cause": 1, "supply_rest_v": 3.6, "supply_transmit_v": 3.4,
        "hours_since_power_up": 48, "transmissions": 9,
    }  # fmt: skip
    status = stores.uplink(stores.BARLEY, codec.build(fields), told_at, fcnt=900, fport=codec.match.fport)
    other = stores.make([stores.v1(stores.BARLEY, 0, 1800), stores.v1(stores.PEARS, 3, 1500), status])
    with Store.open(other, writable=False) as store:
        used = in_use_since(store, told_at, named_probes(store, told_at))
    assert list(used.values()) == [
        (told_at - timedelta(hours=48), "the power-up that its status tells of"),
        (stores.START + timedelta(hours=3), "the first uplink in the raw log"),
    ]


def test_microseconds_are_exact():
    assert microseconds(datetime(1970, 1, 1, 0, 0, 1, 1, tzinfo=UTC)) == 1_000_001
