"""Who can prove nothing, or sends what is no message, is refused by the webhook with a sentence; nothing is lost."""

from __future__ import annotations

import gzip
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from tests.edges.webhook.given import (
    CLOSED,
    SECRET,
    TOKEN,
    answer_of,
    assert_problem,
    connected,
    post,
    signature,
    uplinks,
)
from tests.support.uplinks import as_bytes
from tests.support.webhook import Served, served


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
