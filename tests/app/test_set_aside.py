"""`loamline set-aside`: what was kept unread, why, and all of its bytes."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from loamline_schemas.uplink import Reception


@pytest.fixture
def kept(stores):
    """Return a store with an unknown version, a short payload heard twice, a strange port, a message that is none."""
    at = stores.START
    other = (Reception(gateway="gw-b", rssi_dbm=-110, snr_db=-9),)
    return stores.make(
        [
            stores.v1(stores.BARLEY, 0, 1850),
            stores.uplink(stores.BARLEY, "7f00", at + timedelta(hours=1), 2),
            stores.uplink(stores.PEARS, "0107", at + timedelta(hours=2), 3),
            stores.uplink(stores.PEARS, "0107", at + timedelta(hours=2, seconds=1), 3, receptions=other),
            stores.uplink(stores.PEARS, "0102", at + timedelta(hours=3), 4, fport=77),
            b'{"dev_eui": "\x1b[31mred"}',
        ]
    )


def test_each_uplink_stands_once_with_reason_sentence_and_bytes(stores, loamline, kept):
    """Two gateways' copies are one uplink; the newest comes first, and a message is as old as its storing."""
    message, port, length, version = json.loads(loamline("set-aside", "--store", kept, "--json").stdout)
    assert (version["dev_eui"], version["reason"], version["hex"]) == (stores.BARLEY, "version", "7f00")
    assert "got byte 0 = 0x7F" in version["detail"]
    assert (length["reason"], length["codec"], length["deliveries"]) == ("length", "measurement-v1", 2)
    assert length["detail"] == "codec measurement-v1: expected 9 bytes, got 2; payload 0107"
    assert length["at"] == "2026-05-01T02:00:00Z"
    assert (port["reason"], port["fport"], port["detail"]) == ("port", 77, "expected FPort 10 or 11, got 77")
    assert (message["kind"], message["reason"], message["dev_eui"]) == ("message", "message", None)
    assert bytes.fromhex(message["hex"]) == b'{"dev_eui": "\x1b[31mred"}'


def test_the_table_shows_the_same_and_obeys_no_control_character(stores, loamline, kept):
    """Messages come from outside: none may colour or clear a terminal."""
    result = loamline("set-aside", "--store", kept)
    assert result.exit_code == 0
    for told in ("7f00", "0107", "expected FPort 10 or 11, got 77", stores.PEARS, "no uplink"):
        assert told in result.stdout
    assert "\x1b" not in result.stdout


def test_the_limit_keeps_the_newest_and_says_what_is_left_out(loamline, kept):
    result = loamline("set-aside", "--store", kept, "--limit", 1)
    assert "0107" not in result.stdout
    assert "3 older ones are not shown" in result.stdout
    assert len(json.loads(loamline("set-aside", "--store", kept, "--json", "--limit", 2).stdout)) == 2


def test_nothing_set_aside_is_said_in_words(stores, loamline):
    result = loamline("set-aside", "--store", stores.make([stores.v1(stores.BARLEY, 0, 1850)]))
    assert (result.exit_code, result.stdout) == (0, "nothing is set aside: every message was read\n")
    assert json.loads(loamline("set-aside", "--store", stores.make(), "--json").stdout) == []
