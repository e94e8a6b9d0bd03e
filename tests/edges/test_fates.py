"""What the writer tells of each message of a commit, in the order of the messages."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.messages import Outcome
from loamline.edges.store.connection import Store
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.support.uplinks import as_bytes, fleet


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    with Store.open(tmp_path / "s.duckdb", create=True) as store:
        yield Writer(store, builtin_codecs())


def commit(writer: Writer, *told: dict[str, Any] | bytes) -> list[str]:
    messages = [read_canonical(one if isinstance(one, bytes) else as_bytes(one), "test") for one in told]
    outcome = writer.commit(messages)
    assert outcome == Outcome.of(writer.fates)
    assert outcome.read == len(told)
    return list(writer.fates)


def test_each_message_has_its_fate_at_its_place(writer: Writer) -> None:
    first, second, third = islice(fleet(2), 3)
    unknown = {**third, "payload_hex": "7f01"}
    assert commit(writer, b"{}", second, unknown, first, b"no JSON", second) == [
        "unreadable", "accepted", "set_aside", "accepted", "unreadable", "duplicates",
    ]  # fmt: skip
    assert commit(writer, third, first, unknown, b"{}") == ["accepted", "duplicates", "duplicates", "unreadable"]


def test_of_several_gateways_copies_of_one_uplink_the_first_is_the_new_one(writer: Writer) -> None:
    """Whether they come in one commit or in two; a copy that no codec reads is a copy all the same."""
    uplink = next(fleet(3))
    unknown = {**uplink, "fcnt": 900, "payload_hex": "7f01"}

    def by(told: dict[str, Any], gateway: str) -> dict[str, Any]:
        return {**told, "receptions": [{"gateway": gateway, "rssi_dbm": -90, "snr_db": 1}]}

    def heard(told: dict[str, Any], second: int) -> dict[str, Any]:
        return {**told, "heard_at": told["heard_at"][:17] + f"{second:02d}+00:00"}

    assert commit(writer, heard(by(uplink, "a"), 7), heard(by(uplink, "b"), 5), heard(by(unknown, "a"), 9)) == [
        "accepted", "duplicates", "set_aside",
    ]  # fmt: skip
    assert commit(writer, heard(by(unknown, "b"), 8), heard(by(uplink, "c"), 3)) == ["duplicates", "duplicates"]


def test_an_empty_commit_has_no_fates(writer: Writer) -> None:
    commit(writer, b"{}")
    assert commit(writer) == []
