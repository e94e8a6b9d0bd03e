"""`POST /ts002` over real sockets: the answer is the standard's, after the commit.

The request is made up for these tests, with the names of members of LoRa Alliance TS002 (from memory) and invented
values; its payload is the first worked vector of the built-in family's payload version 1.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest

from loamline.edges.envelopes.ts002 import ts002_reader
from loamline.edges.keys_file import Keys
from loamline.edges.store.connection import Store
from loamline.edges.webhook_signature import Guard, parse_token
from loamline.edges.webhook_ts002 import XmitDataAns, ts002_door
from tests.support.uplinks import raw_log
from tests.support.webhook import Served, served

TOKEN = "0123456789abcdef0123456789abcdef"  # noqa: S105 - known to nobody else
REQUEST: dict[str, Any] = {
    "ProtocolVersion": "1.1",
    "SenderID": "600002",
    "ReceiverID": "soil.example",
    "TransactionID": 77,
    "MessageType": "XmitDataReq",
    "FRMPayload": "0x01073A05DCA025002A",
    "ULMetaData": {
        "DevEUI": "02bb000000000001",
        "DevAddr": "01020304",
        "FPort": 10,
        "FCntUp": 9,
        "DataRate": 3,
        "RFRegion": "EU868",
        "ULFreq": 868.1,
        "RecvTime": "2026-05-01T10:00:00Z",
        "GWInfo": [{"ID": "0A01", "RSSI": -101, "SNR": 2.5}],
    },
}
HEADER = {"ProtocolVersion": "1.1", "SenderID": "soil.example", "ReceiverID": "600002", "TransactionID": 77}


def post(server: Served, body: Any, **options: Any) -> httpx.Response:
    return httpx.post(server.url + "/ts002", json=body, timeout=20, **options)


def at(store: Path | None, guard: Guard | None = None, **options: Any) -> Any:
    return served(store, guard, doors=[ts002_door(ts002_reader(Keys.none()))], **options)


def test_an_uplink_is_on_disk_when_it_is_answered_with_success(tmp_path: Path) -> None:
    """Sent again it is a success, too."""
    with at(tmp_path / "s.duckdb") as server:
        for _ in range(2):
            answer = post(server, REQUEST)
            assert answer.status_code == 200
            assert answer.json() == {**HEADER, "MessageType": "XmitDataAns", "Result": {"ResultCode": "Success"}}
            XmitDataAns.model_validate(answer.json())
    payload = bytes.fromhex("01073A05DCA025002A")
    assert raw_log(tmp_path / "s.duckdb") == {("02BB000000000001", 9, payload): 1}


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"MessageType": "JoinReq"}, "MalformedRequest"),
        ({"ProtocolVersion": "7.0"}, "InvalidProtocolVersion"),
        ({"PHYPayload": "40"}, "MalformedRequest"),
    ],
)
def test_what_is_no_uplink_is_kept_and_answered_with_its_code(tmp_path: Path, wrong: dict[str, str], code: str) -> None:
    with at(tmp_path / "s.duckdb") as server:
        answer = post(server, REQUEST | wrong)
    assert (answer.status_code, answer.json()["Result"]["ResultCode"]) == (200, code)
    with Store.open(tmp_path / "s.duckdb") as store:
        assert store.con.sql("SELECT kind FROM rejected_message").fetchall() == [("ts002",)]


def test_what_could_not_be_stored_is_answered_with_503_and_a_code() -> None:
    """So that the sender sends it again, whichever of the two it looks at."""
    with at(None, commit_timeout_s=0.2) as server:
        answer = post(server, REQUEST)
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) > 0
    assert answer.json()["Result"]["ResultCode"] == "Other"
    assert {name: answer.json()[name] for name in HEADER} == HEADER


def test_the_guard_stands_before_it_as_before_the_other() -> None:
    with at(None, Guard(tokens=(parse_token(TOKEN),)), commit_timeout_s=0.2) as server:
        assert post(server, REQUEST).status_code == 401
        assert post(server, REQUEST, headers={"authorization": f"Bearer {TOKEN}"}).status_code == 503
