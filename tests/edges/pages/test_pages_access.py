"""Who may see which page: keys, sessions, customers apart, and requests that are not answered at all."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from html.parser import HTMLParser
from importlib.resources import files
from urllib.parse import quote

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.edges.api.auth import new_key
from loamline.edges.pages.access import LIFETIME, Sessions
from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_keys import KeyRow, add_key, revoke_key
from loamline_schemas.key_tables import Scope
from tests.support.report_pages import MINE, NOW, STRANGER, THEIRS, Served


@pytest.fixture
def visitor(keyed_report: Served) -> Iterator[httpx.Client]:
    """Somebody without a key."""
    with httpx.Client(base_url=keyed_report.url, timeout=60) as client:
        yield client


def sign_in(served: Served, client: httpx.Client, key: str) -> httpx.Response:
    return client.post("/sign-in", data={"key": key}, headers={"origin": served.url})


@pytest.fixture
def signed_in(keyed_report: Served) -> Iterator[object]:
    """Return a function that gives a client with the session of one of the keys."""
    clients = []

    def opened(word: str) -> httpx.Client:
        client = httpx.Client(base_url=keyed_report.url, timeout=60)
        clients.append(client)
        assert sign_in(keyed_report, client, keyed_report.keys[word]).status_code == 303
        return client

    yield opened
    for client in clients:
        client.close()


def test_without_a_session_every_page_but_the_cautions_leads_to_the_sign_in(
    keyed_report: Served, visitor: httpx.Client
) -> None:
    for path in keyed_report.paths():
        answer = visitor.get(path)
        if path == "/about":
            assert answer.status_code == 200
        else:
            assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in"), path
            assert answer.text == ""


def test_a_key_opens_a_session_in_a_cookie_that_scripts_and_other_sites_do_not_get(
    keyed_report: Served, visitor: httpx.Client
) -> None:
    answer = sign_in(keyed_report, visitor, keyed_report.keys["operator"])
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert keyed_report.keys["operator"].split("_")[2] not in cookie
    assert visitor.get("/").status_code == 200


def test_a_wrong_an_unknown_and_a_revoked_key_are_told_alike_and_never_shown_again(
    keyed_report: Served, visitor: httpx.Client
) -> None:
    revoked, unknown = new_key(), new_key()
    store = keyed_report.store
    add_key(
        store,
        key_id=revoked.key_id,
        digest=revoked.digest,
        customer=None,
        scopes=[Scope.OPERATOR],
        note="",
        now=NOW,
    )
    revoke_key(store, revoked.key_id, NOW)
    told = set()
    for key in (revoked.text, unknown.text, keyed_report.keys["operator"][:-1] + "x", "", "' OR 1=1"):
        answer = sign_in(keyed_report, visitor, key)
        assert answer.status_code == 401
        assert not key or key not in unescape(answer.text)
        assert "set-cookie" not in answer.headers
        told.add(re.sub(r"<time.*", "", answer.text))
    assert len(told) == 1


def test_a_revoked_key_ends_its_sessions_at_the_next_request(keyed_report: Served, visitor: httpx.Client) -> None:
    made = new_key()
    add_key(
        keyed_report.store,
        key_id=made.key_id,
        digest=made.digest,
        customer=None,
        scopes=[Scope.OPERATOR],
        note="",
        now=NOW,
    )
    sign_in(keyed_report, visitor, made.text)
    assert visitor.get("/layouts").status_code == 200
    revoke_key(keyed_report.store, made.key_id, NOW)
    assert visitor.get("/layouts").status_code == 303


def test_signing_out_ends_the_session_for_whoever_kept_the_cookie(keyed_report: Served, signed_in) -> None:
    client = signed_in("operator")
    kept = dict(client.cookies)
    client.post("/sign-out", headers={"origin": keyed_report.url})
    with httpx.Client(base_url=keyed_report.url, cookies=kept) as other:
        assert other.get("/").status_code == 303


def test_a_session_ends_after_a_working_day() -> None:
    made, sessions = new_key(), Sessions()
    row = KeyRow(made.key_id, made.digest, None, (Scope.OPERATOR,), "", NOW, None)
    word = sessions.begin(made.text, lambda _: row, NOW)
    almost = NOW + LIFETIME - timedelta(seconds=1)
    assert sessions.caller(word, lambda _: row, almost) is not None
    assert sessions.caller(word, lambda _: row, NOW + LIFETIME) is None
    assert sessions.caller(word, lambda _: row, almost) is None
    assert sessions.caller(None, lambda _: row, NOW) is None
    with pytest.raises(HttpError):
        sessions.begin(made.text, lambda _: None, NOW)


@pytest.mark.parametrize("origin", [None, "http://elsewhere.example", "null"])
def test_a_form_from_elsewhere_signs_nobody_in(keyed_report: Served, visitor: httpx.Client, origin: str | None) -> None:
    headers = {} if origin is None else {"origin": origin}
    answer = visitor.post("/sign-in", data={"key": keyed_report.keys["operator"]}, headers=headers)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_open_pages_answer_only_to_this_machines_own_names(open_report: Served) -> None:
    """A name from elsewhere that leads here (DNS rebinding) opens nothing."""
    port = open_report.url.rpartition(":")[2]
    told = {}
    for host in (
        f"127.0.0.1:{port}",
        f"localhost:{port}",
        f"[::1]:{port}",
        f"evil.example:{port}",
        "127.0.0.1.evil.example",
    ):
        told[host.rpartition(":")[0] or host] = httpx.get(
            f"{open_report.url}/about", headers={"host": host}
        ).status_code
    assert list(told.values()) == [200, 200, 200, 403, 403]


def test_a_customer_sees_nothing_of_another(keyed_report: Served, signed_in) -> None:
    """By every page and by guessing addresses; what is foreign is told like what does not exist."""
    stores = keyed_report.stores
    client = signed_in("mine")
    foreign = [
        f"/sites/{quote(THEIRS, safe='')}",
        f"/probes/{stores.PEARS}",
        f"/probes/{stores.PROFILE}",
        f"/probes/{STRANGER}",
        f"/probes/{stores.PEARS}/reading?at=2026-05-02T06:00:00Z",
        f"/revisions/1?probe={stores.PEARS}",
    ]
    for path in foreign:
        assert client.get(path).status_code == 404, path
    unknown = client.get("/probes/02BB00000000ABCD").text
    assert client.get(f"/probes/{stores.PEARS}").text.replace(stores.PEARS, "") == unknown.replace(
        "02BB00000000ABCD", ""
    )
    own = [
        "/",
        f"/sites/{quote(MINE, safe='')}",
        f"/probes/{stores.BARLEY}",
        "/gateways",
        "/revisions",
        "/revisions/1",
        "/set-aside",
    ]
    for path in [*own, f"/probes/{stores.BARLEY}/reading?at=2026-05-03T02:00:00Z", "/layouts", "/about", "/nothing"]:
        text = unescape(client.get(path).text)
        for name in ("Orchard", "Theirs", stores.PEARS, stores.PROFILE, STRANGER, "S-0002", "S-0004", "row 7", "gw-a"):
            assert name not in text, (path, name)
    aside = unescape(client.get("/set-aside").text)
    assert "1 delivery or message was kept" in aside
    assert "alert(3)" not in aside


def test_an_operator_sees_both_customers_and_what_was_no_uplink(keyed_report: Served, signed_in) -> None:
    client = signed_in("operator")
    first = unescape(client.get("/").text)
    assert MINE in first
    assert THEIRS in first
    aside = unescape(client.get("/set-aside").text)
    assert "3 deliveries and messages were kept" in aside
    assert "alert(3)" in aside


def test_a_key_for_figures_alone_sees_sites_and_readings_but_not_the_fleet(keyed_report: Served, signed_in) -> None:
    client = signed_in("figures only")
    first = unescape(client.get("/").text)
    assert "Your sites" in first
    assert "What needs attention" not in first
    probe = unescape(client.get(f"/probes/{keyed_report.stores.PEARS}").text)
    assert "Water content" in probe
    assert "Margin" not in probe
    for path in ("/gateways", "/set-aside", "/gateways/gw-a"):
        answer = client.get(path)
        assert (answer.status_code, "Not for this key" in answer.text) == (403, True)


class _Scripts(HTMLParser):
    """What of a page would run, or comes from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        if tag == "script" and not (told.get("src") or "").startswith("/static/"):
            self.found.append("script")
        self.found += [name for name in told if name.startswith("on")]
        target = told.get("src") or (told.get("href") if tag in ("link", "a") else None) or ""
        if "//" in target or target.startswith(("javascript:", "data:text")):
            self.found.append(target)


def test_every_answer_carries_its_policy_and_no_page_a_script_of_its_own(open_report: Served) -> None:
    for path in [*open_report.paths(), "/static/pages.css", "/nothing", "/static/nothing", "/probes/x/reading"]:
        answer = httpx.get(open_report.url + path, timeout=60)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'; script-src 'self';" in policy
        assert "unsafe-inline" not in policy.replace("style-src 'self' 'unsafe-inline'", "")
        assert answer.headers["x-content-type-options"] == "nosniff"
        if "html" in answer.headers["content-type"]:
            parser = _Scripts()
            parser.feed(answer.text)
            assert parser.found == [], path


def test_the_chart_library_is_the_installed_packages_own_file(open_report: Served) -> None:
    page = httpx.get(f"{open_report.url}/probes/{open_report.stores.BARLEY}", timeout=60).text
    (name,) = set(re.findall(r"/static/plotly-[0-9.]+\.min\.js", page))
    own = files("plotly").joinpath("package_data", "plotly.min.js").read_bytes()
    packed = httpx.get(open_report.url + name, headers={"accept-encoding": "gzip"}, timeout=60)
    plain = httpx.get(open_report.url + name, headers={"accept-encoding": "identity"}, timeout=60)
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) < len(own) / 2
    assert packed.content == plain.content == own
    assert gzip.decompress(gzip.compress(b"")) == b""


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    path=st.sampled_from(["/", "/sites/{}", "/probes/{}", "/probes/02BB000000000001/reading", "/gateways/{}",
                          "/revisions/{}", "/layouts/{}", "/set-aside", "/probes/02BB000000000001", "/revisions/1"]),
    word=st.text(max_size=20),
    query=st.dictionaries(st.sampled_from(["days", "page", "site", "at", "depth", "probe"]), st.text(max_size=24)),
)  # fmt: skip
def test_no_address_makes_a_page_break(open_report: Served, path: str, word: str, query: dict[str, str]) -> None:
    """Any words and values give a page or a sentence, never a defect."""
    word = word.encode(errors="replace").decode()
    query = {name: value.encode(errors="replace").decode() for name, value in query.items()}
    answer = httpx.get(open_report.url + path.format(quote(word, safe="")), params=query, timeout=60)
    assert answer.status_code in (200, 307, 404)
