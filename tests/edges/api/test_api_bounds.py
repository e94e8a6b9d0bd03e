"""Bounds: how often one may ask, how long a question may take, what happens while the store is away."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.api import ApiError, Limits, make_api, serve_in_thread
from loamline.edges.api.rate_limit import RateLimit
from loamline.edges.problem_details import HttpError
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import NotNowError, StoreReader, TooLongError
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.conftest import Stores
from tests.support.read_api import problem, served_api, two_growers_store

_ENDLESS = "SELECT count(*) FROM range(1000000) a, range(1000000) b, range(1000000) c WHERE a.range + b.range = c.range"


class Clock:
    """A clock that a test moves."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@given(burst=st.integers(1, 20), waits=st.lists(st.floats(0, 30), max_size=40))
def test_no_more_pass_than_the_burst_and_what_the_time_allows(burst: int, waits: list[float]) -> None:
    clock = Clock()
    limit = RateLimit(per_minute=60, burst=burst, clock_s=clock)
    for passed, wait_s in enumerate(waits, start=1):
        clock.now_s += wait_s
        try:
            limit.take("a")
        except HttpError as told:
            clock.now_s += int(told.headers["retry-after"])
            limit.take("a")  # after that long, one passes
        assert passed <= burst + clock.now_s + 1e-3


def test_one_name_does_not_use_up_anothers_share_and_old_names_are_forgotten() -> None:
    limit = RateLimit(per_minute=1, burst=1, clock_s=Clock(), most_names=2)
    for name in "abc":
        limit.take(name)
    with pytest.raises(HttpError):
        limit.take("c")
    limit.take("a")  # which two others have pushed out


def test_a_key_that_asks_too_often_is_told_when_to_come_again(stores: Stores) -> None:
    with served_api(two_growers_store(stores), limits=Limits(requests_per_minute=1, burst=3)) as api:
        assert [api.get("sites", "north").status_code for _ in range(4)] == [200, 200, 200, 429]
        told = api.get("sites", "north")
        assert problem(told, 429)["detail"] == "expected at most 1 requests a minute, got one more"
        assert 1 <= int(told.headers["retry-after"]) <= 60
        assert api.get("sites", "south").status_code == 200


def test_who_guesses_keys_is_slowed_down_by_address(stores: Stores) -> None:
    limits = Limits(requests_per_minute=6000, burst=5, strangers_per_minute=1)
    with served_api(two_growers_store(stores), limits=limits) as api:
        guesses = [api.get("sites", headers={"authorization": "Bearer x"}).status_code for _ in range(7)]
        assert guesses == [401] * 5 + [429] * 2
        assert api.get("sites", "north").status_code == 200


def test_while_the_store_is_away_the_answer_is_503_and_afterwards_it_goes_on(stores: Stores) -> None:
    with served_api(two_growers_store(stores)) as api:
        api.reader.closed()
        away = api.get("sites")
        assert problem(away, 503)["detail"] == "expected the store to be open, got none"
        assert away.headers["retry-after"] == "5"
        api.reader.opened(api.store)
        assert api.get("sites").status_code == 200


@pytest.fixture
def store(stores: Stores) -> Path:
    return stores.make(stores.season()[:20])


def test_a_question_that_takes_too_long_is_ended(store: Path) -> None:
    with Store.open(store) as opened:
        reader = StoreReader(opened, time_limit_s=0.2)
        with pytest.raises(TooLongError, match=r"expected an answer within 0.2 s, got none"), reader.view() as view:
            view.con.execute(_ENDLESS).fetchall()
        with reader.view() as view:
            assert view.last_seq() == 20


def test_closing_ends_what_is_asked_and_waits_for_it(store: Path) -> None:
    begun, ended = threading.Event(), []

    def ask() -> None:
        try:
            with reader.view() as view:
                begun.set()
                view.con.execute(_ENDLESS).fetchall()
        except NotNowError as told:
            ended.append(str(told))

    with Store.open(store) as opened:
        reader = StoreReader(opened, time_limit_s=60)
        thread = threading.Thread(target=ask)
        thread.start()
        begun.wait(20)
        reader.closed()
        thread.join(20)
    assert ended == ["expected the store to be open, got it closed"]
    with pytest.raises(NotNowError), reader.view():
        pass


def test_no_more_read_at_once_than_may(store: Path) -> None:
    with Store.open(store) as opened:
        reader = StoreReader(opened, at_once=1, time_limit_s=0.1)
        none = pytest.raises(NotNowError, match="expected a free reader, got none in time")
        with reader.view(), none, reader.view():
            pass
        with reader.view():
            pass


def test_beyond_so_many_that_wait_the_next_is_sent_away_at_once(store: Path) -> None:
    """It does not wait for the time limit, which is longer than the tests may take."""
    with Store.open(store) as opened:
        reader = StoreReader(opened, at_once=1, time_limit_s=3600, most_waiting=0)
        full = pytest.raises(NotNowError, match="expected fewer to wait for a reader, got one more than may")
        with reader.view(), full, reader.view():
            pass
        with reader.view() as view:
            assert view.last_seq() == 20


def test_a_turn_is_one_of_those_that_read_at_once_and_lasts_beyond_its_views(store: Path) -> None:
    with Store.open(store) as opened:
        reader = StoreReader(opened, at_once=1, time_limit_s=0.1)
        with reader.turn():
            with reader.view(beside_s=60) as view:
                assert view.last_seq() == 20
            with pytest.raises(NotNowError, match="expected a free reader"), reader.view():
                pass
        with reader.view() as view:
            assert view.last_seq() == 20


def test_a_busy_api_says_503_and_when_to_come_again(stores: Stores) -> None:
    with served_api(two_growers_store(stores), at_once=1, time_limit_s=0.1) as api:
        with api.reader.turn():
            busy = api.get("sites")
        assert problem(busy, 503)["detail"] == "expected a free reader, got none in time"
        assert busy.headers["retry-after"] == "5"
        assert api.get("sites").status_code == 200


def test_a_view_sees_one_state_while_the_writer_goes_on(stores: Stores, store: Path) -> None:
    """Neither waits for the other."""
    with Store.open(store) as opened:
        reader, writer = StoreReader(opened), Writer(opened, builtin_codecs())
        with reader.view() as view:
            before = view.scalar("SELECT count(*) FROM reading")
            writer.commit([stores.accepted(stores.v1(stores.BARLEY, 200, 1700))], stores.START)
            assert view.scalar("SELECT count(*) FROM reading") == before
        with reader.view() as view:
            assert view.scalar("SELECT count(*) FROM reading") == before + 1


def test_a_port_that_is_taken_is_told_in_a_sentence() -> None:
    serving = serve_in_thread(make_api(StoreReader()), port=0)
    try:
        with pytest.raises(ApiError, match=f"expected to listen on host 127.0.0.1, port {serving.port}, got .*in use"):
            serve_in_thread(make_api(StoreReader()), port=serving.port)
    finally:
        serving.stop()
    assert serving.wait(0)
