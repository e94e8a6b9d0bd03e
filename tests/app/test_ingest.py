"""The daemon's loop without a network: nothing is acknowledged that isn't stored, and no message can stop it."""

from __future__ import annotations

import io
import json
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from loamline.app.ingest import Ingest, make_log
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.inbox import Delivery, Receipt
from loamline.edges.messages import Accepted, Incoming, Outcome, Rejected
from loamline.edges.store.connection import Store, StoreError
from loamline_codecs import CodecSet, builtin_codecs
from tests.support.uplinks import as_bytes, fleet, raw_key, raw_log


class ListSource:
    """Hands out the batches it was given, then has the daemon stopped. `before` runs ahead of batch `number`."""

    def __init__(self, batches: Sequence[list[bytes]], before: Callable[[int], None] = lambda _: None) -> None:
        self._batches, self._before = list(batches), before
        self._handed_out = 0
        self.acknowledged: list[int] = []
        self.stop: Callable[[], None] = lambda: None
        self.closed = False

    def start(self) -> None:
        """Nothing to connect."""

    def receive(self, wait_s: float) -> list[Delivery]:  # noqa: ARG002 - as the protocol has it
        number = self._handed_out
        if number == len(self._batches):
            self.stop()
            return []
        self._before(number)
        self._handed_out += 1
        return [Delivery(1, 100 * number + i, 1, "topic", body) for i, body in enumerate(self._batches[number])]

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        self.acknowledged += [delivery.mid for delivery in deliveries]
        return len(deliveries)

    def stop_intake(self) -> None:
        """No intake."""

    def close(self) -> None:
        self.closed = True


def daemon(
    folder: Path, source: ListSource, codecs: CodecSet | None = None, **options: Any
) -> tuple[Ingest, io.StringIO]:
    log = io.StringIO()
    made = Ingest(
        store=folder / "s.duckdb",
        codecs=codecs or builtin_codecs(),
        source=source,
        log=make_log("json", debug=True, file=log),
        shortest_pause_s=0.01,
        **options,
    )
    source.stop = made.stop
    return made, log


def events(log: io.StringIO) -> list[str]:
    return [json.loads(line)["event"] for line in log.getvalue().splitlines()]


def uplinks(count: int) -> list[dict[str, Any]]:
    return list(islice(fleet(5), count))


def test_each_batch_is_committed_then_acknowledged(tmp_path: Path) -> None:
    """The log tells the counts of every commit, and the totals at the end."""
    sent = uplinks(6)
    source = ListSource([[*map(as_bytes, sent[:4])], [*map(as_bytes, sent[3:])]])
    ingest, log = daemon(tmp_path, source)
    assert ingest.run()
    assert source.acknowledged == [0, 1, 2, 3, 100, 101, 102]
    assert events(log) == ["committed", "committed", "stopped"]
    assert vars(ingest.totals) == {"read": 7, "accepted": 6, "duplicates": 1, "set_aside": 0, "unreadable": 0}
    assert source.closed
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(uplink): 1 for uplink in sent}


def test_a_failed_commit_is_not_acknowledged_until_the_store_is_open_again(tmp_path: Path) -> None:
    """The connection breaks under the daemon; the same batch is committed after the store is opened anew."""
    sent = uplinks(4)
    at_failure: list[list[int]] = []

    def break_the_connection(number: int) -> None:
        if number == 1:
            assert ingest._store is not None
            ingest._store.con.close()
            at_failure.append(list(source.acknowledged))

    source = ListSource([[*map(as_bytes, sent[:2])], [*map(as_bytes, sent[2:])]], break_the_connection)
    ingest, log = daemon(tmp_path, source)
    assert ingest.run()
    assert at_failure == [[0, 1]]
    assert source.acknowledged == [0, 1, 100, 101]
    assert events(log) == [
        "committed",
        "store failed, nothing of this batch is acknowledged",
        "store open again",
        "committed",
        "stopped",
    ]
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(uplink): 1 for uplink in sent}


def test_told_to_stop_while_the_store_is_away_it_leaves_the_batch_unacknowledged(tmp_path: Path) -> None:
    """The broker keeps it; `run` says that something was left."""

    def take_the_store_away(number: int) -> None:
        assert ingest._store is not None
        ingest._store.con.close()
        (tmp_path / "s.duckdb").write_bytes(b"no store")
        ingest._stopped_at_s = 0.0  # the time for draining is long over

    source = ListSource([[as_bytes(uplinks(1)[0])]], take_the_store_away)
    ingest, log = daemon(tmp_path, source)
    assert not ingest.run()
    assert source.acknowledged == []
    assert source.closed
    assert events(log)[-1] == "stopped"


def test_a_store_that_is_taken_is_told_at_the_start(tmp_path: Path) -> None:
    """Two daemons on one store: the second leaves with the sentence."""
    with Store.open(tmp_path / "s.duckdb", create=True):
        ingest, _ = daemon(tmp_path, ListSource([]))
        with pytest.raises(StoreError, match=r"to be free, but process .* has it open"):
            ingest.run()


def test_observers_see_each_commit_alone_and_one_that_breaks_stops_nothing(tmp_path: Path) -> None:
    """What watches the daemon must not cost a message."""
    seen: list[int] = []

    def breaks(_store: Store, _outcome: Outcome) -> None:
        raise ZeroDivisionError("a defect")

    sent = uplinks(5)
    source = ListSource([[*map(as_bytes, sent[:2])], [*map(as_bytes, sent[2:])]])
    ingest, log = daemon(tmp_path, source, observers=[breaks, lambda _store, outcome: seen.append(outcome.read)])
    assert ingest.run()
    assert seen == [2, 3]
    assert events(log).count("defect in an observer, please report this") == 2
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(uplink): 1 for uplink in sent}


def test_what_looks_on_has_its_first_look_before_messages_are_asked_for(tmp_path: Path) -> None:
    """It may take long at a large store, and nothing is to wait for it."""
    seen: list[str] = []

    class Told(ListSource):
        def start(self) -> None:
            seen.append("start")

        def receive(self, wait_s: float) -> list[Delivery]:
            seen.append("receive")
            return super().receive(wait_s)

    class Looks:
        def turn(self, _store: Store) -> None:
            seen.append("look")

        def let_go(self) -> None:
            """It holds nothing."""

        def leave(self, _store: Store | None) -> None:
            seen.append("leave")

    ingest, _ = daemon(tmp_path, Told([[*map(as_bytes, uplinks(1))]]), tenders=[Looks()])
    assert ingest.run()
    assert seen == ["look", "start", "receive", "look", "receive", "leave"]


class WithADefect(CodecSet):
    """Codecs that break on one payload, as a programming error would."""

    poison = b""

    def decode(self, fports: Any, payloads: pa.BinaryArray) -> Any:
        if self.poison in payloads.to_pylist():
            raise ZeroDivisionError("a defect")
        return super().decode(fports, payloads)


def test_an_uplink_that_breaks_the_chain_is_kept_alone_and_the_others_are_stored(tmp_path: Path) -> None:
    """One message must not come again and again and keep all others out."""
    sent = uplinks(9)
    poisoned = sent[4]
    codecs = WithADefect(builtin_codecs().codecs)
    codecs.poison = bytes.fromhex(poisoned["payload_hex"])
    source = ListSource([[*map(as_bytes, sent)]])
    ingest, log = daemon(tmp_path, source, codecs)
    assert ingest.run()
    assert source.acknowledged == list(range(9))
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(uplink): 1 for uplink in sent if uplink is not poisoned}
    with Store.open(tmp_path / "s.duckdb") as store:
        ((content, detail),) = store.con.sql("SELECT content, detail FROM rejected_message").fetchall()
    assert bytes(content) == as_bytes(poisoned)
    assert detail == (
        f"uplink {poisoned['fcnt']} of {poisoned['dev_eui']}: expected to store it, got ZeroDivisionError: a defect"
    )
    assert "kept without deriving it; please report this" in events(log)


class WithReceipts(ListSource):
    """Hands out messages whose sender wants to know what became of them."""

    def receive(self, wait_s: float) -> list[Delivery]:
        self.told = [replace(delivery, receipt=Receipt()) for delivery in super().receive(wait_s)]
        return self.told

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        self.answers = [delivery.receipt for delivery in deliveries]
        return super().acknowledge(deliveries)


def test_each_delivery_is_told_what_became_of_its_own_messages(tmp_path: Path) -> None:
    """Also where the batch had to be committed in parts."""
    first, poisoned, third = uplinks(3)
    codecs = WithADefect(builtin_codecs().codecs)
    codecs.poison = bytes.fromhex(poisoned["payload_hex"])
    body = b"[" + as_bytes(first) + b", 3, " + as_bytes(poisoned) + b"]"
    source = WithReceipts([[body, as_bytes(third), as_bytes(first)]])
    ingest, _ = daemon(tmp_path, source, codecs)
    assert ingest.run()
    receipts = [receipt for receipt in source.answers if receipt is not None]
    assert [receipt.fates for receipt in receipts] == [
        ["accepted", "unreadable", "unreadable"],
        ["accepted"],
        ["duplicates"],
    ]
    assert [receipt.sentences for receipt in receipts] == [["topic[1]: expected an object, got 3"], [], []]
    total = Outcome()
    for receipt in receipts:
        total += receipt.outcome
    assert ingest.totals == total


def test_a_reader_with_a_defect_costs_no_message(tmp_path: Path) -> None:
    """It is kept whole, told, acknowledged, and the next one is read."""

    class Misread(ListSource):
        def receive(self, wait_s: float) -> list[Delivery]:
            return [replace(delivery, reader=defective) for delivery in super().receive(wait_s)]

    def defective(content: bytes, source: str) -> list[Incoming]:
        if content == b"poison":
            raise ZeroDivisionError("a defect")
        return read_message(content, source)

    good = uplinks(1)[0]
    source = Misread([[b"poison", as_bytes(good)]])
    ingest, log = daemon(tmp_path, source)
    assert ingest.run()
    assert source.acknowledged == [0, 1]
    assert "topic: expected to read it, got ZeroDivisionError: a defect; please report this" in log.getvalue()
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(good): 1}


def test_while_the_store_is_away_the_ways_in_are_told(tmp_path: Path) -> None:
    """So that one that has to answer at once can say so."""
    away, seen = threading.Event(), []

    class LooksAtIt(threading.Event):
        def clear(self) -> None:
            seen.append(away.is_set())
            super().clear()

    away = LooksAtIt()

    def break_the_connection(_number: int) -> None:
        assert ingest._store is not None
        ingest._store.con.close()

    ingest, _ = daemon(tmp_path, ListSource([[as_bytes(uplinks(1)[0])]], break_the_connection), store_away=away)
    assert ingest.run()
    assert seen == [False, True]
    assert not away.is_set()


def test_a_message_may_be_a_list_whose_items_stand_for_themselves() -> None:
    """What is no uplink is rejected alone, by its place in the list."""
    first, second = uplinks(2)
    read = read_message(b" [" + as_bytes(first) + b", 3, " + as_bytes(second) + b"]", "topic")
    assert [type(message) for message in read] == [Accepted, Rejected, Accepted]
    assert isinstance(read[1], Rejected)
    assert read[1].source == "topic[1]"
    assert read[1].detail == "topic[1]: expected an object, got 3"
    alone = read_message(as_bytes(first), "topic")
    assert isinstance(alone[0], Accepted)
    assert isinstance(read[0], Accepted)
    assert alone[0].uplink == read[0].uplink


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"[]", "topic: expected an uplink or a list of uplinks, got an empty list"),
        (b"[1, 2", "topic: expected JSON, got "),
        (b"", "topic: expected JSON, got "),
        (b"\xff\xfe\x00", "topic: expected JSON, got "),
        (b"[" * 100_000, "topic: expected JSON, got "),
        (b'[{"a": NaN}]', "topic[0]: "),
        (b"null", "topic: expected an object, got None"),
    ],
)
def test_a_body_that_holds_no_uplink_is_rejected_whole_with_a_sentence(content: bytes, expected: str) -> None:
    """Whatever the bytes are: one sentence, nothing raised, nothing lost."""
    (message,) = read_message(content, "topic")
    assert isinstance(message, Rejected)
    assert message.detail.startswith(expected)
    assert "\n" not in message.detail


def test_a_time_beyond_the_calendar_is_rejected_not_raised() -> None:
    """0001-01-01 with an offset to the east lies before the first instant there is."""
    (message,) = read_message(as_bytes({**uplinks(1)[0], "heard_at": "0001-01-01T00:00:00+23:00"}), "topic")
    assert isinstance(message, Rejected)
    assert message.detail.startswith("topic: heard_at: expected a time in the years 1 to 9999 of UTC, got ")


def test_the_log_is_one_json_object_a_line_with_utc_times() -> None:
    """For whatever collects logs; the other form is for people."""
    file = io.StringIO()
    make_log("json", file=file).info("connected", broker="127.0.0.1:1883")
    line = json.loads(file.getvalue())
    assert (line["event"], line["level"], line["broker"]) == ("connected", "info", "127.0.0.1:1883")
    assert line["timestamp"].endswith("Z")
    file = io.StringIO()
    make_log("console", file=file).info("connected", broker="127.0.0.1:1883")
    assert "connected" in file.getvalue()
    assert "\x1b" not in file.getvalue()
