"""Lists that are longer than a page: every row is reached by its links, however many there are."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta

import httpx
import pytest

from loamline.app.replaying import Scope as ReplayScope
from loamline.app.replaying import applying
from loamline.core.reference import RegistryState
from loamline.edges.api import serve_in_thread
from loamline.edges.pages import Sessions, make_pages
from loamline.edges.pages.asked import ROWS_A_PAGE
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline_codecs import builtin_codecs
from loamline_schemas.registry import PlacementRow, ProbeRow, SiteRow
from loamline_schemas.uplink import Reception
from tests.conftest import Stores
from tests.support.revised import ASKED_AT, CODECS, drive, load, with_bench

_LONG = 2 * ROWS_A_PAGE + 30
_ROW = "Long row"
_SITES = [f"Plot {number:04}" for number in range(_LONG)]
_PROBES = [f"02BB00000001{number:04X}" for number in range(_LONG)]
_UNREAD = [f"F2{number:04X}" for number in range(50)]
_GATEWAYS = [f"gw-{number:04}" for number in range(_LONG)]


def _registry(stores: Stores) -> RegistryState:
    """Return one row with all probes on it, and as many sites with none."""
    place = {"latitude_deg": 49, "longitude_deg": 15, "time_zone": "UTC", "customer": "c"}
    return RegistryState(
        sites=tuple(SiteRow(site=name, **place) for name in (_ROW, *_SITES)),
        probes=tuple(
            ProbeRow(
                dev_eui=dev_eui,
                serial=dev_eui,
                hardware="P1",
                made_on=date(2020, 1, 1),
                air_count=500,
                water_count=3500,
                count_per_k=-0.8,
            )
            for dev_eui in _PROBES
        ),
        placements=tuple(
            PlacementRow(
                dev_eui=dev_eui,
                depth_index=0,
                site=_ROW,
                label="row",
                depth_cm=10 if dev_eui < _PROBES[-1] else 40,
                texture="loam",
                valid_from=stores.START - timedelta(days=1),
            )
            for dev_eui in _PROBES
        ),
        curves=stores.registry().curves,
    )


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """The pages of that fleet: the first probe is heard by every gateway, and the first gateway hears every probe."""
    stores = Stores(tmp_path_factory.mktemp("long"))
    registry = _registry(stores)

    def heard(dev_eui: str) -> tuple[Reception, ...]:
        names = _GATEWAYS if dev_eui == _PROBES[0] else _GATEWAYS[:1]
        return tuple(Reception(gateway=name, rssi_dbm=-100, snr_db=1.0) for name in names)

    told = [
        stores.v1(dev_eui, hour, 1800, receptions=heard(dev_eui), dev_addr=dev_eui[-8:])
        for hour in range(2)
        for dev_eui in _PROBES
    ]
    unread = [
        stores.uplink(_PROBES[1], payload, stores.START + timedelta(minutes=number), 100 + number)
        for number, payload in enumerate(_UNREAD)
    ]
    unread.append(unread[-1].model_copy(update={"network": "another", "receptions": heard(_PROBES[0])[1:2]}))
    with Store.open(stores.make([*told, *unread], registry=registry)) as store:
        load(store, with_bench(registry, 1, 31, 49))
        drive(applying(store, CODECS, ReplayScope(), "bench again", "somebody", ASKED_AT))
        store.con.execute(
            "INSERT INTO revision SELECT r.* REPLACE (r.revision_id + n AS revision_id, 'undone' AS step, now() AS "
            "undone_at) FROM revision r, range(1, ?) t(n)",
            [_LONG],
        )
        reader = StoreReader(store, time_limit_s=60)
        served = make_pages(
            reader,
            Sessions(),
            codecs=builtin_codecs(),
            open_pages=True,
            clock=lambda: stores.START + timedelta(hours=2),
        )
        serving = serve_in_thread(served, port=0)
        with httpx.Client(base_url=serving.url, timeout=60) as client:
            yield client
        serving.stop()
        reader.closed()


def _walked(pages: httpx.Client, path: str, what: str, row: str) -> list[list[str]]:
    """Return what `row` finds on each page, from `path` on by its links to further `what`."""
    told: list[list[str]] = []
    seen = set()
    while path and path not in seen:
        seen.add(path)
        answer = pages.get(path)
        assert answer.status_code == 200
        told.append(re.findall(row, answer.text))
        (pager,) = re.findall(f'aria-label="Further {what}".*?</nav>', answer.text, re.DOTALL)
        path = "".join(re.findall(r'rel="next" href="([^"]*)"', pager)).replace("&amp;", "&")
    return told


@pytest.mark.parametrize(
    ("path", "what", "row", "names"),
    [
        ("/", "sites", r'href="/sites/[^"]*">(Plot \d+)', _SITES),
        ("/?site=Long+row", "probes", r'<tr><th scope="row"><a href="/probes/([0-9A-F]+)"', _PROBES),
        ("/sites/Long%20row", "probes", r'<li><a href="/probes/([0-9A-F]+)"', _PROBES),
        ("/gateways", "gateways", r'href="/gateways/(gw-\d+)"', _GATEWAYS),
        ("/gateways/gw-0000", "probes", r'href="/probes/([0-9A-F]+)"', _PROBES),
        ("/revisions", "revisions", r'href="/revisions/(\d+)"', [str(number + 1) for number in range(_LONG)]),
    ],
)
def test_every_row_of_a_long_list_is_reached_once_and_no_page_is_longer_than_another(
    pages: httpx.Client, path: str, what: str, row: str, names: list[str]
) -> None:
    told = _walked(pages, path, what, row)
    assert sorted((name for one in told for name in one), key=lambda name: name.zfill(9)) == names
    assert len(told) == 3
    assert max(map(len, told)) <= ROWS_A_PAGE


def test_the_newest_revision_stands_first(pages: httpx.Client) -> None:
    assert re.findall(r'href="/revisions/(\d+)"', pages.get("/revisions").text)[0] == str(_LONG)


def test_what_was_set_aside_stands_newest_first_and_deliveries_of_one_uplink_once(pages: httpx.Client) -> None:
    told = _walked(pages, "/set-aside", "deliveries and messages", r"<code>([0-9a-f ]+)</code></p>")
    assert [name.replace(" ", "").upper() for one in told for name in one] == _UNREAD[::-1]
    assert "2 deliveries. Reason" in pages.get("/set-aside").text


@pytest.mark.parametrize("name", [_SITES[0], _SITES[-1]])
def test_every_site_has_a_page_wherever_it_stands_in_the_list(pages: httpx.Client, name: str) -> None:
    assert pages.get(f"/sites/{name}").status_code == 200


def test_a_depth_that_only_the_last_probe_has_is_told_with_its_soil(pages: httpx.Client) -> None:
    soil = pages.get("/sites/Long%20row").text.partition('<h2 id="soil">')[2]
    assert re.findall(r'<th scope="row">(\d+) cm</th><td>loam</td>', soil) == ["10", "40"]


def test_any_probe_of_a_large_revision_can_be_compared_by_its_name(pages: httpx.Client) -> None:
    assert f'<input id="probe" name="probe" value="{_PROBES[0]}">' in pages.get("/revisions/1").text
    assert f'value="{_PROBES[-1]}"' in pages.get("/revisions/1", params={"probe": _PROBES[-1].lower()}).text
    answer = pages.get("/revisions/1", params={"probe": "02BB0000000000EE"})
    assert answer.status_code == 404
    assert "choose another" in answer.text


def test_a_page_beyond_the_last_shows_the_last(pages: httpx.Client) -> None:
    assert "page 3 of 3" in pages.get("/gateways", params={"page": 99}).text
