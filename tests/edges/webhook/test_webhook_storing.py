"""2xx of the webhook says that it is on disk, and each request is told what became of its own."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from loamline.edges.inbox import Delivery
from loamline.edges.store.connection import Store
from loamline_schemas.settings import BatchSettings
from tests.edges.webhook.given import NONE, answer_of, connected, post, uplinks
from tests.support.daemon import until
from tests.support.uplinks import as_bytes, raw_key, raw_log
from tests.support.webhook import Served, held, served


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
    with served(store, batch=BatchSettings(messages=2, milliseconds=60_000)) as server, ThreadPoolExecutor() as senders:
        answers = list(senders.map(lambda body: post(server, body).json(), [[first, first, 3], [second, unknown]]))
        until(lambda: '"committed"' in server.log.getvalue())
    assert server.log.getvalue().count('"committed"') == 1
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
