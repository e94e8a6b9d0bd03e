"""The webhook over real sockets: 2xx says that it is on disk; who can't prove anything, or is slow, gets nothing."""

from __future__ import annotations

import gzip
import json
import random
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis.checks import CHECKS

from loamline.edges.envelopes.canonical import read_message
from loamline.edges.envelopes.ts002 import ts002_reader
from loamline.edges.inbox import Delivery
from loamline.edges.keys_file import Keys
from loamline.edges.store.connection import Store
from loamline.edges.webhook import WebhookError
from loamline.edges.webhook_app import uplinks_door
from loamline.edges.webhook_signature import Guard, parse_secret, parse_token, sign
from loamline.edges.webhook_ts002 import ts002_door
from loamline_schemas.settings import BatchSettings
from tests.support.daemon import until
from tests.support.uplinks import as_bytes, fleet, raw_key, raw_log
from tests.support.webhook import Served, held, served

SECRET = "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="  # noqa: S105 - the bytes 0 to 31
TOKEN = "0123456789abcdef0123456789abcdef"  # noqa: S105 - known to nobody else
CLOSED = Guard((parse_secret(SECRET),), (parse_token(TOKEN),))
NONE = {"read": 0, "accepted": 0, "duplicates": 0, "set_aside": 0, "unreadable": 0, "sentences": []}


def uplinks(count: int, seed: int = 5) -> list[dict[str, Any]]:
    return list(islice(fleet(seed), count))


def post(server: Served, body: Any, path: str = "/uplinks", **options: Any) -> httpx.Response:
    content = body if isinstance(body, bytes) else json.dumps(body).encode()
    return httpx.post(server.url + path, content=content, timeout=20, **options)


def signature(body: bytes, at_s: float | None = None, secret: str = SECRET) -> dict[str, str]:
    seconds = int(time.time() if at_s is None else at_s)
    told = {"webhook-id": "m-1", "webhook-timestamp": str(seconds)}
    return {**told, "webhook-signature": sign(secret, "m-1", seconds, body)}


def assert_problem(answer: httpx.Response, status: int, detail: str) -> None:
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert (answer.status_code, told["status"], told["detail"]) == (status, status, detail)
    where = f"{told['where']}: " if "where" in told else ""
    assert told["detail"] == f"{where}expected {told['expected']}, got {told['got']}"


def connected(server: Served) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.webhook.port), timeout=20)


def answer_of(connection: socket.socket) -> bytes:
    """Return all that comes until the other side hangs up; a reset counts as that."""
    told = b""
    try:
        while more := connection.recv(65_536):
            told += more
    except ConnectionResetError:
        pass
    return told


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "s.duckdb"


@pytest.fixture
def server(store: Path) -> Iterator[Served]:
    """An open webhook before a store."""
    with served(store) as running:
        yield running


@pytest.fixture
def deaf() -> Iterator[Served]:
    """A webhook before a queue that nobody takes anything from, with little patience."""
    with served(None, commit_timeout_s=0.3, request_timeout_s=0.4, batch=BatchSettings(queue_messages=2)) as running:
        yield running


# What is stored ------------------------------------------------------------------------------------------------------


def test_one_uplink_or_a_list_is_on_disk_when_it_is_answered(server: Served, store: Path) -> None:
    sent = uplinks(6)
    assert post(server, sent[0]).json() == NONE | {"read": 1, "accepted": 1}
    several = post(server, sent[:6])
    assert several.status_code == 200
    assert several.json() == NONE | {"read": 6, "accepted": 5, "duplicates": 1}
    server.stop()
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


def test_each_request_of_one_commit_is_told_its_own_counts(store: Path) -> None:
    """The batch holds both; what one sent is not the other's."""
    first, second = uplinks(2)
    unknown = {**second, "payload_hex": "7f00"}
    with served(store, batch=BatchSettings(milliseconds=400)) as server, ThreadPoolExecutor() as senders:
        answers = list(senders.map(lambda body: post(server, body).json(), [[first, first, 3], [second, unknown]]))
        committed = [line for line in server.log.getvalue().splitlines() if '"committed"' in line]
    assert len(committed) == 1
    sentence = "POST /uplinks[2]: expected an object, got 3"
    assert answers == [
        {"read": 3, "accepted": 1, "duplicates": 1, "set_aside": 0, "unreadable": 1, "sentences": [sentence]},
        {"read": 2, "accepted": 1, "duplicates": 0, "set_aside": 1, "unreadable": 0, "sentences": []},
    ]


def test_what_is_no_uplink_is_kept_whole_and_answered_with_the_sentence(server: Served, store: Path) -> None:
    """A sender would send it again for days otherwise."""
    body = b' {"dev_eui": 7,\n "and": ["more"]}'
    told = post(server, body)
    assert told.status_code == 200
    assert told.json()["unreadable"] == 1
    assert told.json()["sentences"][0].startswith(
        "POST /uplinks: expected exactly one of payload_hex and payload_base64"
    )
    server.stop()
    with Store.open(store) as opened:
        assert opened.con.sql("SELECT content FROM rejected_message").fetchall() == [(body,)]


def test_the_answer_waits_for_the_commit() -> None:
    """Taken is not stored: nothing is answered before the thread that stores acknowledges."""
    with served(None) as server, ThreadPoolExecutor() as senders:
        answer = senders.submit(post, server, uplinks(1)[0])
        batch: list[Delivery] = []
        until(lambda: batch.extend(server.intake.receive(0.1)) or batch)
        assert held(lambda: not answer.done(), 0.3)
        (delivery,) = batch
        assert delivery.receipt is not None
        delivery.receipt.fates = ["accepted"]
        assert server.intake.acknowledge(batch) == 1
        assert answer.result().json() == NONE | {"read": 1, "accepted": 1}


def test_a_sender_that_is_gone_before_the_answer_has_stored_it_all_the_same(server: Served, store: Path) -> None:
    """It sends it again, and the store knows it."""
    sent = uplinks(1)[0]
    body = as_bytes(sent)
    with connected(server) as gone:
        gone.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: %d\r\n\r\n%s" % (len(body), body))
    until(lambda: '"committed"' in server.log.getvalue())
    assert post(server, sent).json() == NONE | {"read": 1, "duplicates": 1}


def test_requests_may_follow_each_other_on_one_connection_without_waiting(server: Served) -> None:
    """In chunks or not, each is answered in its turn."""
    first, second = (as_bytes(uplink) for uplink in uplinks(2))
    with connected(server) as connection:
        connection.sendall(
            b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: %d\r\n\r\n%s" % (len(first), first)
            + b"POST /uplinks HTTP/1.1\r\nhost: x\r\nconnection: close\r\ntransfer-encoding: chunked\r\n\r\n"
            + b"%x\r\n%s\r\n%x\r\n%s\r\n0\r\n\r\n" % (10, second[:10], len(second) - 10, second[10:])
        )
        told = answer_of(connection)
    assert told.count(b"HTTP/1.1 200 OK") == told.count(b'"accepted": 1') == 2


# Who may come in -----------------------------------------------------------------------------------------------------


def test_a_signature_or_a_token_opens(store: Path) -> None:
    first, second, third = map(as_bytes, uplinks(3))
    with served(store, CLOSED) as server:
        assert post(server, first, headers=signature(first)).json()["accepted"] == 1
        assert post(server, second, headers={"authorization": f"Bearer {TOKEN}"}).json()["accepted"] == 1
        late = signature(third, at_s=time.time() - 250)
        assert post(server, third, headers=late).json()["accepted"] == 1
        assert post(server, third, headers=late).json()["duplicates"] == 1


BODY = as_bytes(uplinks(1)[0])


@pytest.mark.parametrize(
    ("signed", "got"),
    [
        (dict, "no webhook-id, no webhook-timestamp, no webhook-signature"),
        (lambda: {"authorization": "Bearer " + "f" * 32}, "another"),
        (lambda: {"authorization": "Basic Zjpm"}, "another scheme"),
        (
            lambda: signature(BODY + b" "),
            "1 of version 1 that are not; check the secret, and that the bytes signed are those sent",
        ),
        (lambda: {**signature(BODY), "webhook-id": "m-2"}, "1 of version 1 that are not; check the secret, "),
        (lambda: {**signature(BODY), "webhook-signature": "v2,AAAA"}, "0 of version 1 that are not"),
        (lambda: signature(BODY, at_s=5), " s behind it; check both clocks"),
        (lambda: {**signature(BODY), "webhook-timestamp": "now"}, "something else"),
    ],
)
def test_without_a_good_signature_or_token_nothing_is_taken(signed: Callable[[], dict[str, str]], got: str) -> None:
    """One sentence, nothing in the queue, and no secret, token or signature anywhere; signed when it is sent."""
    headers = signed()
    with served(None, CLOSED) as server:
        answer = post(server, BODY, headers=headers)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
        assert got in answer.json()["got"]
        assert len(server.inbox) == 0
        shown = answer.text + server.log.getvalue()
    secrets = [
        SECRET[6:],
        TOKEN,
        headers.get("webhook-signature", SECRET)[3:],
        headers.get("authorization", SECRET)[-16:],
    ]
    assert [secret for secret in secrets if secret in shown and len(secret) > 6] == []


def test_who_proves_nothing_has_not_even_its_body_read() -> None:
    """The answer is there before the body is."""
    with served(None, CLOSED) as server, connected(server) as stranger:
        stranger.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: 500000\r\n\r\n")
        assert stranger.recv(100).startswith(b"HTTP/1.1 401 Unauthorized\r\n")


# What is refused -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "place", "got"),
    [
        (b"", "line 1 column 0", "nothing"),
        (b"\xff\xfe", "line 1 column 1", "expected value ('\ufffd\ufffd')"),
        (b'[{"fcnt": 1,\n}]', "line 2 column 1", "trailing comma ('[{\"fcnt\": 1,\\n}]')"),
        (b"[" * 1000, "line 1 column 202", "recursion limit exceeded ('[[[[[[[[[[[[[[[[[[[[...')"),
        (b"[NaN]", "line 1 column 2", "expected value ('[NaN]')"),
    ],
)
def test_what_is_no_json_is_told_with_its_place(deaf: Served, body: bytes, place: str, got: str) -> None:
    """Problem details after RFC 9457; nothing of it reaches the queue."""
    assert_problem(post(deaf, body), 400, f"the body, {place}: expected JSON (RFC 8259), got {got}")
    assert len(deaf.inbox) == 0


def test_a_body_over_the_limit_is_refused_whatever_its_length_is_told_to_be() -> None:
    """By Content-Length before anything is read, in chunks while they come; one byte less passes."""
    with served(None, most_bytes=1000, commit_timeout_s=0.1) as server:
        assert_problem(post(server, b" " * 1001), 413, "the body: expected a body of at most 1000 bytes, got 1001")
        chunks = httpx.post(server.url + "/uplinks", content=iter([b" " * 600] * 2))
        assert_problem(chunks, 413, "the body: expected a body of at most 1000 bytes, got more")
        assert len(server.inbox) == 0
        assert post(server, b" " * 998 + b"{}").status_code == 503
        assert len(server.inbox) == 1


def test_a_list_of_too_many_uplinks_is_refused(deaf: Served) -> None:
    """One commit of them would hold up everybody else."""
    assert_problem(post(deaf, [0] * 10_001), 413, "the body: expected a list of at most 10000 uplinks, got 10001")


def test_a_content_length_that_lies_is_no_way_round_the_limit(deaf: Served) -> None:
    """What follows the told length is another request, which is none; two lengths are refused as a whole."""
    with connected(deaf) as liar:
        liar.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\ncontent-length: 1\r\n\r\n" + b"[" * 5000)
        assert answer_of(liar).count(b"HTTP/1.1 400 Bad Request") >= 1
    with connected(deaf) as liar:
        both = b"content-length: 5\r\ntransfer-encoding: chunked\r\n\r\n"
        liar.sendall(b"POST /uplinks HTTP/1.1\r\nhost: x\r\n" + both + b"2\r\n{}\r\n0\r\n\r\n")
        assert answer_of(liar).startswith(b"HTTP/1.1 400 Bad Request")
    assert len(deaf.inbox) == 0


def test_a_packed_body_is_refused(deaf: Served) -> None:
    """A few packed bytes may unpack to gigabytes; and what is signed is the packed form."""
    answer = post(deaf, gzip.compress(b"{}"), headers={"content-encoding": "gzip"})
    assert_problem(answer, 415, "the header Content-Encoding: expected a body as it is, got a content coding")


def test_another_path_or_method_is_told_what_there_is(deaf: Served) -> None:
    assert_problem(post(deaf, {}, "/"), 404, "expected POST to /uplinks, got another path")
    answer = httpx.get(deaf.url + "/uplinks")
    assert_problem(answer, 405, "expected POST to /uplinks, got another method")
    assert answer.headers["allow"] == "POST"


# When nothing can be stored ------------------------------------------------------------------------------------------


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


# Slow and greedy callers ---------------------------------------------------------------------------------------------


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


# The document --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/uplinks", "/ts002"])
def test_requests_made_up_from_the_document_are_answered_as_it_says(store: Path, path: str) -> None:
    """Good ones and bad ones; a body that is JSON but no uplink is kept and answered with 200, on purpose."""
    with served(store, doors=[uplinks_door(read_message), ts002_door(ts002_reader(Keys.none()))]) as server:
        schema = schemathesis.openapi.from_url(f"{server.url}/openapi.json")
        by_status = ("negative_data_rejection", "positive_data_acceptance")
        wanted = [check for check in CHECKS.get_all() if check.__name__ not in by_status]

        @seed(7)
        @settings(
            max_examples=60,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        )
        @given(case=schema[path]["POST"].as_strategy())
        def answered(case: Any) -> None:
            case.call_and_validate(checks=wanted)

        answered()
        assert '"committed"' in server.log.getvalue()
        assert "defect" not in server.log.getvalue()


def test_the_document_tells_how_to_prove_oneself_only_where_one_has_to() -> None:
    open_one = Served(None, guard=Guard()).webhook.document
    closed = Served(None, guard=CLOSED).webhook.document
    assert open_one["components"]["securitySchemes"] == {}
    assert set(closed["components"]["securitySchemes"]) == {"token", "signature"}
    assert closed["paths"]["/uplinks"]["post"]["security"] == [{"token": []}, {"signature": []}]
    assert SECRET[6:] not in json.dumps(closed)


def test_leaving_leaves_no_thread_behind() -> None:
    before = threading.active_count()
    with served(None):
        assert threading.active_count() > before
    until(lambda: threading.active_count() == before)
