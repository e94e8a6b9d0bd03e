"""What pages tell where there is too much to read it all: of the last days alone, and they say so."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest

from loamline.edges.api import serve_in_thread
from loamline.edges.pages import Sessions, gateway_pages, make_pages
from loamline.edges.store import page_gateways, page_series
from loamline.edges.store.connection import Store
from loamline.edges.store.radio import Span, named_probes, radio_report
from loamline.edges.store.reading_api import StoreReader
from loamline.edges.store.registry import probe_ids
from loamline_codecs import builtin_codecs
from loamline_schemas.uplink import Reception
from tests.conftest import Stores

_HOURS = 24 * 40


@pytest.fixture(scope="module")
def long_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, Stores]]:
    """Forty days of two probes by one gateway, one of them also by another, each further from it on the last day."""
    stores = Stores(tmp_path_factory.mktemp("long"))

    def heard(hour: int, *names: str) -> tuple[Reception, ...]:
        snr_db = 5.0 if hour < _HOURS - 24 else -2.0
        return tuple(Reception(gateway=name, rssi_dbm=-100, snr_db=snr_db) for name in names)

    rows = [stores.v1(stores.BARLEY, hour, 1800, receptions=heard(hour, "gw-a")) for hour in range(0, _HOURS, 3)]
    rows += [
        stores.v1(stores.PEARS, hour, 1500, receptions=heard(hour, "gw-a", "gw-b")) for hour in range(0, _HOURS, 3)
    ]
    with Store.open(stores.make(rows)) as store:
        yield store, stores


def _shown(store: Store, stores: Stores, path: str) -> str:
    reader = StoreReader(store, time_limit_s=60)
    until = stores.START + timedelta(hours=_HOURS)
    pages = make_pages(reader, Sessions(), codecs=builtin_codecs(), open_pages=True, clock=lambda: until)
    serving = serve_in_thread(pages, port=0)
    try:
        answer = httpx.get(serving.url + path, timeout=60)
    finally:
        serving.stop()
        reader.closed()
    assert answer.status_code == 200
    return answer.text


@pytest.mark.parametrize(
    ("most", "days", "told"),
    [(600, 14, "64 uplinks heard in the last 8 days of"), (600, 5, "40 uplinks heard in the last 5 days of"),
     (1, 14, "8 uplinks heard in the last day of")],
)  # fmt: skip
def test_radio_of_a_probe_is_of_the_last_days_where_the_log_is_long(
    long_store: tuple[Store, Stores], monkeypatch: pytest.MonkeyPatch, most: int, days: int, told: str
) -> None:
    """Of as many days as would hold so many deliveries of three hourly probes; these send eight a day."""
    store, stores = long_store
    path = f"/probes/{stores.BARLEY}?days=90"
    assert f"{_HOURS // 3} uplinks heard in this span" in _shown(store, stores, path)
    monkeypatch.setattr(page_series, "_MOST_SEARCHED", most)
    monkeypatch.setattr(page_series, "_RADIO_DAYS", days)
    assert f"{told} this span" in _shown(store, stores, path)
    assert "uplinks heard in this span" in _shown(store, stores, f"/probes/{stores.BARLEY}?days=1")


def test_deliveries_of_one_uplink_are_told_apart_from_a_counter_that_comes_again(stores: Stores) -> None:
    """One counter, three times: delivered by two networks, and once more with another payload after a restart."""
    at, sent = stores.START, stores.v1(stores.BARLEY, 0, 1800)
    again = sent.model_copy(update={"network": "another", "heard_at": sent.heard_at + timedelta(seconds=2)})
    restarted = stores.v1(stores.BARLEY, 1, 1700, fcnt=sent.fcnt)
    soon = restarted.model_copy(update={"heard_at": sent.heard_at + timedelta(seconds=4)})
    with Store.open(stores.make([sent, again, soon, stores.v1(stores.BARLEY, 2, 1600)])) as store:
        number = probe_ids(store)[stores.BARLEY]
        told = page_series.links(store, number, [(at, at + timedelta(hours=5))], 1)
    assert [link.heard for link in told] == [2, 1]


@pytest.mark.parametrize("most", [500, 1])
def test_margins_of_a_gateway_are_those_of_the_radio_report_whatever_the_fleet(
    long_store: tuple[Store, Stores], monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    store, stores = long_store
    monkeypatch.setattr(gateway_pages, "_MOST_REPORTED", most)
    text = _shown(store, stores, "/gateways/gw-a?days=30")
    until = stores.START + timedelta(hours=_HOURS)
    span = Span(until - timedelta(days=30 if most == 500 else 1), until)
    report: Any = radio_report(store, span, named_probes(store, until))
    (own,) = [gateway for gateway in report.gateways if gateway.gateway == "gw-a"]
    # SX1276: spreading factor 9 needs -12.5 dB; 7 dB less on the last day.
    assert own.margin_db == (17.5 if most == 500 else 10.5)
    assert f"<dt>Margin, median of its links</dt><dd>{own.margin_db:.1f} dB</dd>" in text
    assert "<dt>Probes that no other hears</dt><dd>1</dd>" in text
    assert ("are of the last day" in text) == (most == 1)


@pytest.mark.parametrize("path", ["/gateways", "/gateways/gw-a"])
def test_gateways_of_a_large_fleet_are_of_the_last_days_and_say_so(
    long_store: tuple[Store, Stores], monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    """As many deliveries as three hourly probes make in ten days."""
    store, stores = long_store
    assert "too many probes" not in _shown(store, stores, f"{path}?days=30")
    monkeypatch.setattr(page_gateways, "_MOST_COUNTED", 3 * 240)
    text = _shown(store, stores, f"{path}?days=30")
    assert "too many probes to tell of all these days: what follows is since" in text
    assert "31 May 2026, 00:00" in text
    assert "too many probes" not in _shown(store, stores, f"{path}?days=7")
