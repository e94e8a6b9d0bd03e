"""A webhook that can store nothing says so at once, and callers that are slow or greedy hold nobody up."""

from __future__ import annotations

import random
import socket
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from loamline.edges.webhook import WebhookError
from loamline.edges.webhook_signature import Guard
from tests.edges.webhook.given import answer_of, assert_problem, connected, post, uplinks
from tests.support.daemon import until
from tests.support.uplinks import raw_key, raw_log
from tests.support.webhook import Served, served


def test_without_a_commit_in_time_the_answer_is_503_and_when_to_come_again(deaf: Served) -> None:
    """It is in the queue all the same; sent again it is a duplicate."""
    answer = post(deaf, {})
    assert_problem(answer, 503, "expected a commit within 0.3 s, got none")
    assert int(answer.headers["retry-after"]) > 0


def test_with_a_full_queue_the_answer_is_503(deaf: Served) -> None:
    for _ in range(2):
        post(deaf, {})
    answer = post(deaf, {})
    assert_problem(answer, 503, "expected room in the queue, got none")
    assert int(answer.headers["retry-after"]) > 0


def test_while_the_store_is_away_the_answer_is_503_at_once(server: Served) -> None:
    """No queue fills up with what can't be stored; it is taken again as soon as the store is open."""
    server.store_away.set()
    answer = post(server, uplinks(1)[0])
    assert_problem(answer, 503, "expected the store to be open, got none; the daemon's log says why")
    server.store_away.clear()
    assert post(server, uplinks(1)[0]).json()["accepted"] == 1


def test_told_to_stop_it_answers_what_is_stored_and_refuses_the_rest() -> None:
    """Whoever waits is not left hanging."""
    with ThreadPoolExecutor() as senders:
        with served(None) as server:
            answer = senders.submit(post, server, {})
            until(lambda: len(server.inbox) == 1)
        assert_problem(answer.result(), 503, "expected to store it, got the daemon's end")


def test_told_to_stop_it_does_not_wait_for_a_sender_that_is_half_through() -> None:
    """A slow one would hold the daemon's end up for as long as it likes."""
    with served(None, request_timeout_s=3600) as server:
        slow = connected(server)
        slow.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: 20\r\n\r\n{")
        until(lambda: server.webhook._server.server_state.tasks)  # type: ignore[union-attr]
    with slow:
        assert answer_of(slow) == b""


def test_a_port_that_is_taken_is_told_by_name() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        made = Served(None, guard=Guard())
        made.webhook._settings = made.webhook._settings.model_copy(update={"port": other.getsockname()[1]})
        with pytest.raises(WebhookError, match=r"webhook\.host 127\.0\.0\.1, webhook\.port \d+, got .* in use"):
            made.webhook.start()


@pytest.mark.parametrize(
    "told",
    [
        b"POST /upl",
        b"POST /uplinks HTTP/1.1\r\nhost: x\r\nx-header: never e",
        b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: 20\r\n\r\n{",
        b"POST /uplinks HTTP/1.1\r\nhost: x\r\ntransfer-encoding: chunked\r\n\r\n5\r\n{",
    ],
)
def test_a_request_that_does_not_end_in_time_is_answered_408_and_hung_up_on(deaf: Served, told: bytes) -> None:
    """Whether headers or body are slow; so a thousand half requests cost nothing for long."""
    with connected(deaf) as slow:
        slow.sendall(told)
        answer = answer_of(slow)
    assert answer.startswith(b"HTTP/1.1 408 Request Timeout\r\n")
    assert b"expected a whole request within 0.4 s, got only a part of it" in answer
    until(lambda: not deaf.webhook._server.server_state.connections)  # type: ignore[union-attr]


def test_a_byte_now_and_then_does_not_buy_time(deaf: Served) -> None:
    """The time is that of the whole request, not of its parts."""
    with connected(deaf) as slow:
        slow.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: 100000\r\n\r\n")

        def drip() -> bool:
            try:
                slow.sendall(b" ")
            except OSError:
                return True
            return False

        until(drip, within_s=10)


def test_a_connection_that_says_nothing_is_hung_up_on_without_a_word(deaf: Served) -> None:
    with connected(deaf) as idle:
        assert answer_of(idle) == b""


def test_a_connection_is_kept_for_the_next_request_only_so_long() -> None:
    with served(None, keep_alive_s=1) as server, connected(server) as idle:
        idle.sendall(b"GET / HTTP/1.1\r\nhost: x\r\n\r\n")
        assert answer_of(idle).startswith(b"HTTP/1.1 404 Not Found")


def test_more_connections_than_there_may_be_are_told_to_come_again() -> None:
    """Those that are there already are served on."""
    with served(None, most_connections=2) as server, httpx.Client(base_url=server.url) as early, connected(server):
        assert early.get("/").status_code == 404
        with connected(server) as late:
            told = answer_of(late)
        assert told.startswith(b"HTTP/1.1 503 Service Unavailable\r\n")
        assert b"retry-after: " in told
        assert early.get("/").status_code == 404


def test_headers_without_end_are_refused(deaf: Served) -> None:
    """uvicorn's parser would keep them all in memory."""
    with connected(deaf) as greedy:
        greedy.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\n" + b"x-more: %s\r\n" % (b"m" * 1000) * 40)
        assert answer_of(greedy).startswith(b"HTTP/1.1 431 Request Header Fields Too Large\r\n")


def test_garbage_neither_ends_it_nor_is_a_defect(server: Served) -> None:
    """Random bytes, and a good request with random bytes changed; afterwards it serves as before."""
    rng = random.Random(20)
    good = b"POST /uplinks HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-length: 2\r\n\r\n{}"
    for number in range(120):
        told = bytearray(good) if number % 2 else bytearray(rng.randbytes(rng.randrange(300)))
        for _ in range(rng.randrange(6)):
            if told:
                told[rng.randrange(len(told))] = rng.randrange(256)
        with connected(server) as rude:
            rude.sendall(told)
            rude.shutdown(socket.SHUT_WR)
            answer = answer_of(rude)
        assert b"HTTP/1.1 500" not in answer
    assert post(server, uplinks(1)[0]).json()["accepted"] == 1
    assert "defect" not in server.log.getvalue()


def test_many_at_once_are_each_answered(server: Served, store: Path) -> None:
    sent = uplinks(120)
    with ThreadPoolExecutor(16) as senders:
        answers = list(senders.map(lambda uplink: post(server, uplink).json(), sent))
    assert sum(answer["accepted"] + answer["set_aside"] for answer in answers) == 120
    server.stop()
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}
