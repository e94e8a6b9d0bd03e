"""Pages joined are the whole, each row once, in order; also while rows are added between two pages."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.core.reading_summaries import Period
from loamline.edges.api.paging import after_of, cursor_of, link_header
from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_fleet import health_page, health_rows
from loamline.edges.store.api_pages import Page
from loamline.edges.store.api_readings import Wanted, latest_page, readings_page
from loamline.edges.store.api_summaries import summaries_page
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet import Period as Window
from loamline.edges.store.readings import Selection, readings
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.conftest import Stores
from tests.support.read_api import MOVED, NORTH, SOUTH, Api, problem, served_api, two_growers_store

CUSTOMERS = st.sampled_from([None, NORTH, SOUTH])
PROBES = st.sampled_from([None, Stores.BARLEY, Stores.PROFILE, MOVED])
SOME = settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return two_growers_store(Stores(tmp_path_factory.mktemp("paging")))


@pytest.fixture(scope="module")
def store(path: Path) -> Iterator[Store]:
    with Store.open(path, writable=False) as opened:
        yield opened


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with served_api(two_growers_store(Stores(tmp_path_factory.mktemp("walked")))) as running:
        yield running


def joined(read: Any, limits: Any) -> pa.Table:
    """Return all pages, each of the limit that comes next."""
    after, tables = None, []
    while True:
        page: Page = read(after, next(limits))
        tables.append(page.rows)
        after = page.after
        if after is None:
            return pa.concat_tables(tables)


def taking(limits: list[int]) -> Iterator[int]:
    """Yield the limits, over and over."""
    while True:
        yield from limits


@SOME
@given(customer=CUSTOMERS, dev_eui=PROBES, limits=st.lists(st.integers(20, 300), min_size=1, max_size=4))
def test_pages_of_any_sizes_are_the_whole(
    store: Store, customer: str | None, dev_eui: str | None, limits: list[int]
) -> None:
    wanted = Wanted(customer, dev_eui)
    pages = joined(lambda after, limit: readings_page(store, wanted, after, limit), taking(limits))
    assert pages.equals(readings_page(store, wanted, None, 100_000).rows)
    keys = [*zip(*(pages.column(name).to_pylist() for name in ("dev_eui", "depth_index", "measured_at")), strict=True)]
    assert keys == sorted(set(keys))


def test_an_operators_pages_are_what_an_export_holds(store: Store) -> None:
    whole = readings(store, Selection()).read_all()
    assert joined(lambda after, limit: readings_page(store, Wanted(), after, limit), taking([97])).equals(whole)


@SOME
@given(customer=CUSTOMERS, period=st.sampled_from(Period), limits=st.lists(st.integers(7, 60), min_size=1, max_size=3))
def test_pages_of_means_cut_no_period(store: Store, customer: str | None, period: Period, limits: list[int]) -> None:
    """Day and hour come whole, by the clocks of Lisbon and Auckland, wherever a page ends."""
    wanted = Wanted(customer, None if period is Period.DAILY else Stores.PROFILE)
    pages = joined(lambda after, limit: summaries_page(store, wanted, period, after, limit), taking(limits))
    assert pages.equals(summaries_page(store, wanted, period, None, 10_000).rows)
    assert sum(pages.column("readings").to_pylist()) == readings_page(store, wanted, None, 100_000).rows.num_rows


@SOME
@given(customer=CUSTOMERS, limits=st.lists(st.integers(1, 4), min_size=1, max_size=3))
def test_pages_of_the_newest_are_the_newest(store: Store, customer: str | None, limits: list[int]) -> None:
    wanted = Wanted(customer)
    pages = joined(lambda after, limit: latest_page(store, wanted, after, limit), taking(limits)).to_pylist()
    newest = {}
    for row in readings_page(store, wanted, None, 100_000).rows.to_pylist():
        newest[row["dev_eui"], row["depth_index"]] = row
    assert pages == [newest[key] for key in sorted(newest)]


@SOME
@given(customer=CUSTOMERS, needy=st.booleans(), limits=st.lists(st.integers(1, 3), min_size=1, max_size=3))
def test_pages_of_the_fleet_are_the_health_of_all(
    store: Store, customer: str | None, needy: bool, limits: list[int]
) -> None:
    """Each page looks at its own probes alone, and finds of each what looking at all of them finds."""
    now = store.scalar("SELECT max(heard_at) FROM uplink").astimezone(UTC)
    period = Window.of(now, now, 7)
    pages = joined(
        lambda after, limit: health_page(store, customer, period, None, after and after[0], limit, needy=needy),
        taking(limits),
    ).to_pylist()
    whole = [row for row in health_rows(store, customer, period, None) if row["attention"] or not needy]
    assert pages == whole


@pytest.mark.parametrize("limit", [1, 4])
@pytest.mark.parametrize(
    "path",
    ["sites", "probes", "placements", "quality?by=probe", "fleet", "gateways", "curves", "latest",
     "readings?resolution=daily", "readings?unit=mm&resolution=daily"],
)  # fmt: skip
def test_every_listing_is_the_same_in_pages(api: Api, path: str, limit: int) -> None:
    pages, whole = api.walk(path, limit=limit), api.rows(path)
    assert [row for page in pages for row in page] == whole
    assert len(pages) == -(-len(whole) // limit) > 0
    assert all(len(page) <= limit for page in pages)


@pytest.mark.parametrize("path", ["readings?resolution=hourly&unit=mm"])
def test_hours_of_a_profile_are_the_same_in_pages(api: Api, path: str) -> None:
    assert [row for page in api.walk(path, limit=100) for row in page] == api.rows(path)


@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(limit=st.integers(20, 150), hours=st.lists(st.integers(-90, 300), min_size=3, max_size=6, unique=True))
def test_rows_that_are_added_meanwhile_double_none_and_hide_none(stores: Stores, limit: int, hours: list[int]) -> None:
    """Half an hour beside the season's, of probes before and behind where the pages are."""
    path = stores.make(stores.season())
    with Store.open(path) as store:
        writer = Writer(store, builtin_codecs())
        before = keys_of(readings_page(store, Wanted(), None, 100_000).rows)
        seen: list[tuple[Any, ...]] = []
        after, left = None, [*hours]
        while True:
            page = readings_page(store, Wanted(), after, limit)
            seen += keys_of(page.rows)
            after = page.after
            if after is None:
                break
            if left:
                hour = left.pop()
                at = stores.START + timedelta(hours=hour, minutes=30)
                late = [
                    stores.v1(name, 1, 1700).model_copy(update={"heard_at": at, "fcnt": 1000 + hour})
                    for name in (stores.BARLEY, stores.PEARS, "02BB000000000009")
                ]
                writer.commit([stores.accepted(uplink) for uplink in late], stores.START + timedelta(days=91))
        whole = keys_of(readings_page(store, Wanted(), None, 100_000).rows)
    assert seen == sorted(set(seen))
    assert set(before) <= set(seen) <= set(whole)


def keys_of(rows: pa.Table) -> list[tuple[Any, ...]]:
    return [*zip(*(rows.column(name).to_pylist() for name in ("dev_eui", "depth_index", "measured_at")), strict=True)]


# Cursors and links ---------------------------------------------------------------------------------------------------


@given(
    after=st.tuples(st.text(max_size=40), st.integers(-(2**63), 2**63 - 1)),
    question=st.dictionaries(st.text(), st.text()),
)
def test_a_cursor_comes_back_as_it_went(after: tuple[str, int], question: dict[str, str]) -> None:
    assert after_of(cursor_of(after, question), question, (str, int)) == after


@given(text=st.text(max_size=60))
def test_a_made_up_cursor_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(HttpError, match="query parameter cursor: expected the cursor of the page before, got"):
        after_of(text, {}, (str, int))


def test_a_cursor_belongs_to_one_question(api: Api) -> None:
    cursor = api.get("readings", limit=5).json()["next"]
    told = problem(api.get("readings", cursor=cursor, site="North field"), 422)
    assert told["detail"].endswith("got one of another question; ask with the same parameters throughout")
    problem(api.get("readings", cursor="W10"), 422)
    assert api.get("readings", cursor=cursor, limit=7).status_code == 200


def test_the_link_header_leads_through_all_pages_of_any_media_type(api: Api) -> None:
    """RFC 8288; the target is relative to the host (RFC 3986), and keeps the parameters."""
    target, lines = "readings?site=North%20field&limit=50", 0
    while target:
        answer = api.get(target, headers={"accept": "text/csv"})
        lines += len(answer.text.splitlines()) - 1
        links = dict(reversed(link.split("; ")) for link in answer.headers["link"].split(", "))
        assert links['rel="first"'] == "</api/v1/readings?site=North+field&limit=50>"
        target = links.get('rel="next"', "").strip("<>").removeprefix("/api/v1/")
    assert lines == len(api.rows("readings", site="North field", limit=1000))


def test_a_link_escapes_what_a_header_or_a_target_can_not_hold() -> None:
    assert link_header("/sites", {"site": 'a"b>é'}, "c") == (
        '</sites?site=a%22b%3E%C3%A9>; rel="first", </sites?site=a%22b%3E%C3%A9&cursor=c>; rel="next"'
    )
