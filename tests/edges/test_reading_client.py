"""The client of the read API against a real server that misbehaves: redirects, foreign pages, refusals, nonsense."""

from __future__ import annotations

import gzip
import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

import pytest

from loamline.edges.reading_client import ReadingClient, ReadingClientError

#: Status, headers and body of an answer.
Answer = tuple[int, dict[str, str], bytes]
JSON = {"Content-Type": "application/json"}


class Server:
    """Answers by a function of the path; keeps what was asked."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str | None]] = []
        self.answer: Callable[[str], Answer] = lambda _: (200, JSON, b'{"rows": []}')
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.asked.append((self.path, self.headers.get("Authorization")))
                status, headers, body = outer.answer(self.path)
                self.send_response(status)
                for name, value in {**headers, "Content-Length": str(len(body))}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server()
    yield made
    made.close()


def page(*sites: str, following: str | None = None) -> Answer:
    headers = JSON | ({"Link": f'</api/v1/sites>; rel="first", <{following}>; rel="next"'} if following else {})
    return 200, headers, json.dumps({"rows": [{"site": site} for site in sites]}).encode()


def test_pages_are_followed_in_order_with_the_key(server) -> None:
    """RFC 8288: the Link header names the next page."""
    server.answer = lambda path: page("c") if "cursor" in path else page("a", "b", following="/api/v1/sites?cursor=x")
    assert ReadingClient(server.url, "k").table("sites").column("site").to_pylist() == ["a", "b", "c"]
    assert server.asked == [("/api/v1/sites?limit=10000", "Bearer k"), ("/api/v1/sites?cursor=x", "Bearer k")]


@pytest.mark.parametrize("written", ["", "/", "/api/v1", "/api/v1/"])
def test_an_address_may_be_written_in_any_of_its_ways(server, written) -> None:
    ReadingClient(server.url + written, None).table("sites")
    assert server.asked == [("/api/v1/sites?limit=10000", None)]


def test_parameters_that_are_none_are_left_out_and_others_are_quoted(server) -> None:
    ReadingClient(server.url, None).table("readings", {"site": "North & south", "probe": None, "depth_index": 0})
    assert server.asked[0][0] == "/api/v1/readings?site=North+%26+south&depth_index=0&limit=10000"


def test_a_key_goes_to_no_other_address(server) -> None:
    """Neither by a redirect nor by a next page that lies elsewhere."""
    other = Server()
    try:
        server.answer = lambda _: (302, {"Location": f"{other.url}/api/v1/sites"}, b"")
        with pytest.raises(ReadingClientError, match="got 302"):
            ReadingClient(server.url, "k").table("sites")
        server.answer = lambda _: page("a", following=f"{other.url}/api/v1/sites?cursor=x")
        with pytest.raises(ReadingClientError, match="not asked there"):
            ReadingClient(server.url, "k").table("sites")
        assert other.asked == []
    finally:
        other.close()


def test_pages_that_go_round_in_circles_end_with_a_sentence(server) -> None:
    server.answer = lambda _: page("a", following="/api/v1/sites?cursor=x")
    with pytest.raises(ReadingClientError, match="got the same one again"):
        ReadingClient(server.url, None).table("sites")


def test_a_question_that_came_too_soon_is_put_again_when_the_api_says(server) -> None:
    """RFC 9110, section 10.2.3: Retry-After, in seconds."""
    answers = iter([(429, {"Retry-After": "0"}, b"{}"), (503, {"Retry-After": "0"}, b"{}"), page("a")])
    server.answer = lambda _: next(answers)
    assert ReadingClient(server.url, None).table("sites").num_rows == 1
    server.answer = lambda _: (429, {"Retry-After": "0"}, b"{}")
    with pytest.raises(ReadingClientError, match="that it was too soon; try later"):
        ReadingClient(server.url, None).table("sites")


def test_compressed_answers_are_read(server) -> None:
    status, headers, body = page("a")
    server.answer = lambda _: (status, headers | {"Content-Encoding": "gzip"}, gzip.compress(body))
    assert ReadingClient(server.url, None).table("sites").column("site").to_pylist() == ["a"]


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ((404, JSON, b'{"title": "Not Found", "detail": "expected a site"}'), "got 404: expected a site"),
        ((403, JSON, b'{"title": "Forbidden"}'), "got 403: Forbidden; give the key that `loamline key` made: key=..."),
        ((500, {}, b"plain words"), "got 500: plain words"),
        ((429, {"Retry-After": "9999"}, b'{"detail": "enough"}'), "got 429: enough"),
        ((200, {"Content-Type": "text/html"}, b"<p>"), "got text/html; is it the daemon's read API?"),
        ((200, JSON, b"{"), "got application/json that can't be read"),
        ((200, JSON, b"[1]"), "got application/json that can't be read"),
        ((200, {"Content-Type": "application/vnd.apache.arrow.stream"}, b"no Arrow"), "that can't be read"),
        ((200, JSON | {"Content-Encoding": "gzip"}, b"no gzip"), "expected the daemon's read API at "),
    ],
)  # fmt: skip
def test_an_answer_that_is_of_no_use_is_told_in_a_sentence(server, answer, words) -> None:
    """Refusals are RFC 9457 problem details, whose words are passed on."""
    server.answer = lambda _: answer
    with pytest.raises(ReadingClientError) as refused:
        ReadingClient(server.url, "secret").table("sites")
    assert words in str(refused.value)
    assert "secret" not in str(refused.value)


def test_nobody_there_is_told(server) -> None:
    server.close()
    with pytest.raises(ReadingClientError, match=r"Connection refused; see that it runs, and the port"):
        ReadingClient(server.url, None).table("sites")


@pytest.mark.parametrize("url", ["ftp://localhost", "http://", "soil.duckdb"])
def test_what_is_no_http_address_is_refused(url) -> None:
    with pytest.raises(ReadingClientError, match="expected a URL such as http://localhost:8460, got "):
        ReadingClient(url, None)
