"""What the pages say where there is nothing to say: an empty store, a silent registry, a store that is away."""

from __future__ import annotations

import re
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import httpx
import pytest

from loamline.edges.api import serve_in_thread
from loamline.edges.api.auth import new_key
from loamline.edges.pages import Sessions, make_pages
from loamline.edges.store.api_keys import add_key
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline.edges.store.registry import save_state
from loamline_codecs import builtin_codecs
from loamline_schemas.key_tables import Scope

NOW = datetime(2026, 5, 6, tzinfo=UTC)


@contextmanager
def visited(reader: StoreReader, **told):
    pages = make_pages(reader, Sessions(), codecs=builtin_codecs(), clock=lambda: NOW, **{"open_pages": True, **told})
    serving = serve_in_thread(pages, port=0)
    with httpx.Client(base_url=serving.url, timeout=60) as client:
        yield client
    serving.stop()
    reader.closed()


@pytest.fixture
def empty(tmp_path):
    with Store.open(tmp_path / "empty.duckdb", create=True) as store:
        yield store


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/", "No probe is known yet"),
        ("/gateways", "No gateway heard anything in this span"),
        ("/revisions", "There is none: every figure stands as it was first derived"),
        ("/set-aside", "Nothing was set aside"),
    ],
)
def test_an_empty_store_is_told_in_words(empty: Store, path: str, said: str) -> None:
    with visited(StoreReader(empty)) as client:
        answer = client.get(path)
    assert answer.status_code == 200
    assert said in answer.text


def test_a_registry_that_nothing_was_heard_of_is_told_in_words(empty: Store, stores) -> None:
    save_state(empty, stores.registry(), "test")
    with visited(StoreReader(empty)) as client:
        assert "registered, and no uplink was ever heard" in client.get("/").text.lower()
        assert "No reading of this site within a year" in client.get("/sites/North%20field").text
        probe = client.get(f"/probes/{stores.BARLEY}").text
        assert "None was ever stored" in probe
        reading = client.get(f"/probes/{stores.BARLEY}/reading?at=2026-05-01T00:00:00Z")
    assert (reading.status_code, "No such reading" in reading.text) == (404, True)


def test_what_the_daemon_noted_of_gateways_and_the_store_stands_first(empty: Store, stores) -> None:
    save_state(empty, stores.registry(), "test")
    empty.con.execute(
        "INSERT INTO problem (kind, subject, since, noticed_at, detail, problem_id) VALUES "
        "('gateway quiet', 'gateway/gw <b>1</b>', $at, $at, 'usual pauses up to 30 min', 'a'), "
        "('nothing heard', 'store', $at, $at, 'no uplink of any probe', 'b'), "
        "('silent', 'probe/02BB000000000001', $at, $at, 'a probe has its own list', 'c')",
        {"at": datetime(2026, 5, 5, 12, tzinfo=UTC)},
    )
    with visited(StoreReader(empty)) as client:
        text = client.get("/").text
    assert "gw &lt;b&gt;1&lt;/b&gt;" in text
    assert text.index("The whole store") < text.index("gw &lt;b&gt;") < text.index("What needs attention")
    assert "Check its power and its connection to the network" in text
    assert "05 May 2026, 12:00&nbsp;UTC" in text
    assert "a probe has its own list" not in text


def test_a_store_that_is_away_is_told_as_a_page(empty: Store) -> None:
    reader = StoreReader(empty)
    reader.closed()
    with visited(reader) as client:
        answer = client.get("/")
    assert answer.status_code == 503
    assert "The store is away" in answer.text
    assert "Try again in a moment" in answer.text


def test_sign_ins_are_limited_by_address(empty: Store) -> None:
    """Six at once, then one each five seconds."""
    seconds = [0.0]
    with visited(StoreReader(empty), open_pages=False, clock_s=lambda: seconds[0]) as client:

        def tried() -> int:
            return client.post(
                "/sign-in", data={"key": "x"}, headers={"origin": str(client.base_url).rstrip("/")}
            ).status_code

        assert [tried() for _ in range(7)] == [401] * 6 + [429]
        seconds[0] = 5.0
        assert [tried() for _ in range(2)] == [401, 429]


def test_a_probe_that_moved_shows_each_customer_its_own_time_alone(stores) -> None:
    """Sixty hours at one customer's, sixty at the other's: figures, uplinks and derivations are apart."""
    moved_at = stores.START + timedelta(hours=60)
    registry = stores.registry()
    (first, *others) = registry.placements
    registry = replace(
        registry,
        sites=tuple(row.model_copy(update={"customer": row.site}) for row in registry.sites),
        placements=(
            first.model_copy(update={"valid_to": moved_at}),
            first.model_copy(update={"site": "Pear orchard", "label": "row 1", "valid_from": moved_at}),
            *others,
        ),
    )
    uplinks = [stores.v1(stores.BARLEY, hour, 1850 - hour) for hour in range(120)]
    path = stores.make(uplinks, registry=registry)
    told = {}
    with Store.open(path) as store:
        for customer in ("North field", "Pear orchard"):
            made = new_key()
            scopes = (Scope.READINGS, Scope.FLEET)
            add_key(store, key_id=made.key_id, digest=made.digest, customer=customer, scopes=scopes, note="", now=NOW)
            with visited(StoreReader(store), open_pages=False) as client:
                origin = str(client.base_url).rstrip("/")
                client.post("/sign-in", data={"key": made.text}, headers={"origin": origin})
                probe = client.get(f"/probes/{stores.BARLEY}?days=30").text
                hours = {}
                for hour in (10, 59, 60, 110):
                    at = stores.START + timedelta(hours=hour)
                    hours[hour] = client.get(f"/probes/{stores.BARLEY}/reading", params={"at": at.isoformat()})
            told[customer] = (
                "row 1" in probe,
                "barley 1" in probe,
                int(re.findall(r"(\d+) uplinks heard in this span", probe)[0]),
                [hour for hour, answer in hours.items() if answer.status_code == 200],
                "what the checks looked at is not shown" in hours[60 if customer == "Pear orchard" else 59].text,
            )
    assert told == {
        "North field": (False, True, 60, [10, 59], True),
        "Pear orchard": (True, False, 60, [60, 110], True),
    }
