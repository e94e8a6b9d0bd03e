"""The fleet is summed up once for all who look, shown fresh where that is quick, and never older than may be."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from loamline.edges.api import serve_in_thread
from loamline.edges.pages import Sessions, make_pages
from loamline.edges.pages.overview import MOST_AGE_S, Overview, Overviews
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import NotNowError, StoreReader
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.conftest import Stores

_AT = datetime(2026, 5, 6, tzinfo=UTC)


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[StoreReader]:
    with Store.open(tmp_path / "empty.duckdb", create=True) as store:
        lent = StoreReader(store)
        yield lent
        lent.closed()


class Making:
    """Makes overviews that are told apart by `needy_count`, as long as `may_end` is set."""

    def __init__(self) -> None:
        self.begun = 0
        self.may_end, self.ended = threading.Event(), threading.Semaphore(0)
        self.may_end.set()

    def __call__(self, _store: Store) -> Overview:
        self.begun += 1
        number = self.begun
        assert self.may_end.wait(30)
        self.ended.release()
        return Overview(_AT, [], [], number, [], {}, [])


def test_who_asks_at_once_gets_what_is_made_once(reader: StoreReader) -> None:
    overviews, making, got = Overviews(reader), Making(), []
    making.may_end.clear()
    asking = [
        threading.Thread(target=lambda: got.append(overviews.get(None, making, 30.0).needy_count)) for _ in range(12)
    ]
    for thread in asking:
        thread.start()
    making.may_end.set()
    for thread in asking:
        thread.join(30)
    # One that comes after the first was ended and is fresh no more has a second made; none has one of its own.
    assert len(got) == 12
    assert set(got) <= {1, 2}


def test_while_a_new_one_is_made_the_last_is_shown_and_one_that_is_too_old_is_not(reader: StoreReader) -> None:
    now_s = [1000.0]
    overviews, making = Overviews(reader, lambda: now_s[0]), Making()
    assert overviews.get(None, making, 30.0).needy_count == 1
    making.may_end.clear()
    now_s[0] += MOST_AGE_S - 1
    assert overviews.get(None, making).needy_count == 1, "the second is not ready"
    now_s[0] += 2
    with pytest.raises(NotNowError, match="expected the fleet to be summed up by now"):
        overviews.get(None, making, 0.05)
    making.may_end.set()
    assert overviews.get(None, making, 30.0).needy_count == 2, "made by one thread, begun by the first who asked"


def test_customers_have_overviews_of_their_own(reader: StoreReader) -> None:
    overviews, north, south = Overviews(reader), Making(), Making()
    overviews.get("north", north, 30.0)
    assert overviews.get("south", south, 30.0).needy_count == 1
    assert (north.begun, south.begun) == (1, 1)


def test_what_making_one_raised_is_told_to_who_waits_and_the_next_tries_again(reader: StoreReader) -> None:
    def broken(_store: Store) -> Overview:
        raise ZeroDivisionError

    overviews = Overviews(reader)
    with pytest.raises(ZeroDivisionError):
        overviews.get(None, broken, 30.0)
    assert overviews.get(None, Making(), 30.0).needy_count == 1


def test_a_store_that_is_away_is_told(reader: StoreReader) -> None:
    reader.closed()
    with pytest.raises(NotNowError, match="expected the store to be open, got none"):
        Overviews(reader).get(None, Making(), 30.0)


def test_a_commit_shows_on_the_page_of_a_small_fleet_within_its_maximum_age(stores: Stores) -> None:
    """Asked again and again: what is stored is told sooner or later, with nothing else to wake it."""
    with Store.open(stores.make(stores.season())) as store:
        reader, writer = StoreReader(store), Writer(store, builtin_codecs())
        pages = make_pages(reader, Sessions(), codecs=builtin_codecs(), open_pages=True, clock=lambda: _AT)
        serving = serve_in_thread(pages, port=0)
        stranger = "02BB0000000000AA"
        with httpx.Client(base_url=serving.url, timeout=60) as client:
            assert stranger not in client.get("/").text
            writer.commit([stores.accepted(stores.v1(stranger, 119, 1500))], _AT)
            until = threading.Event()
            threading.Timer(60.0, until.set).start()
            while stranger not in client.get("/").text:
                assert not until.is_set(), "expected the commit on the page by now"
        serving.stop()
        reader.closed()
