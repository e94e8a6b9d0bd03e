"""Broken messages of every envelope, made from right ones: seeded, so that a failure comes again."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.support.lorawan_frames import NEIGHBOUR, SESSION
from tests.support.uplinks import START, fleet

MAPS = Path(__file__).parents[2] / "replay_fixtures" / "envelopes"
MAP_NAMES = ("flat", "gateways", "nested")
KINDS = ("canonical", "ts002", "phypayload", *MAP_NAMES)

# ruff: noqa: E501 - tables of values, each line a kind of them
_DEEP = 3_000
#: Written into the JSON text as they stand, for Python's own writer makes none of them.
_RAW = (
    b"1e400", b"-1e400", b"1" + b"0" * 5_000, b"-0", b"0.1e-400", b"NaN", b"-Infinity", b"9223372036854775808",
    b"18446744073709551616", b'"\\ud800"', b'"\\udfff\\ud800"', b'"\\u0000"', b'"\x00"', b'"\xff\xfe"', b'"\xed\xa0\x80"',
    b'"\xc0\x80"', b'"\\x41"', b"[" * _DEEP + b"]" * _DEEP, b'{"a":' * _DEEP + b"1" + b"}" * _DEEP, b"[" * _DEEP, b"tru",
    b"'a'", b"01", b"+1", b".5", b"1.", b"", b"\xef\xbb\xbf1", b'{"a":1,"a":2}',
)  # fmt: skip
_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 255, 256, 2**31, 2**32, 2**53 + 1, 2**63, 2**64, -(2**63) - 1, 10**30, 0.5, -0.0, 1e308,
    5e-324, "", " ", "0", "-1", "1e5", "NaN", "\x00", "a\x00b", "\u202e", "\U0010ffff", "x" * 70_000, "00" * 300, "zz", "0",
    "AA==", "A", "=", "0x", [], {}, [[]], [None], {"": None}, [{}] * 1_100, "2026-02-30T00:00:00Z", "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00", "2026-05-01", "2026-05-01T10:00:00", "1777629600", -1e18, "=cmd", "'; DROP TABLE uplink;--",
)  # fmt: skip
_MARK = "\ue000broken\ue000"


def right(kind: str, rng: random.Random) -> dict[str, Any]:
    """Return a message of a kind that is an uplink; most are of an uplink of their own."""
    if kind == "canonical":
        return next(fleet(rng.randrange(10_000))) | {"fcnt": rng.randrange(2**16)}
    fcnt, heard_at = rng.randrange(2**16), (START + timedelta(seconds=rng.randrange(10**7))).isoformat()
    session = rng.choice([SESSION, NEIGHBOUR])
    if kind == "phypayload":
        frame = session.frame(fcnt=fcnt, confirmed=rng.random() < 0.3, fopts=bytes(rng.randrange(4)))
        ears = [{"gateway": "gw-barn", "rssi_dbm": -100, "snr_db": 3.5}]
        return {"phy_payload_hex": frame.hex(), "heard_at": heard_at, "receptions": ears}
    if kind == "ts002":
        clear = {"FRMPayload": "0x01073A05DCA025002A"} if rng.random() < 0.5 else {"PHYPayload": session.frame().hex()}
        return _ts002(session.dev_eui, session.dev_addr, fcnt, heard_at) | clear
    return dict(json.loads((MAPS / f"{kind}.json").read_text()))


def _ts002(dev_eui: str, dev_addr: str, fcnt: int, heard_at: str) -> dict[str, Any]:
    return {
        "ProtocolVersion": "1.1",
        "SenderID": "600002",
        "ReceiverID": "soil.example",
        "TransactionID": fcnt,
        "MessageType": "XmitDataReq",
        "ULMetaData": {
            "DevEUI": dev_eui,
            "DevAddr": dev_addr,
            "FPort": 10,
            "FCntUp": fcnt,
            "DataRate": 3,
            "RFRegion": "EU868",
            "ULFreq": 868.1,
            "RecvTime": heard_at,
            "GWInfo": [{"ID": "0A01", "RSSI": -101, "SNR": 2.5}],
        },
    }


def broken(kind: str, rng: random.Random) -> bytes:
    """Return a message of a kind after some damage; a few are whole, a few are nothing but noise."""
    if rng.random() < 0.03:
        return rng.randbytes(rng.randrange(1, 200))
    told = right(kind, rng)
    for _ in range(rng.choice([0, 1, 1, 1, 2, 3])):
        told = rng.choice(_ON_VALUES)(told, rng)
    wrapped = [told, right(kind, rng)] if rng.random() < 0.15 else told
    content = json.dumps(wrapped, ensure_ascii=rng.random() < 0.5).encode()
    if rng.random() < 0.3:
        content = _with_raw(wrapped, rng)
    for _ in range(rng.choice([0, 0, 0, 1, 1, 4])):
        content = rng.choice(_ON_BYTES)(content, rng)
    return content or b"\x00"


# On values -----------------------------------------------------------------------------------------------------------


def _places(told: Any) -> list[tuple[Any, Any]]:
    """Return every container and key in a value."""
    keys = list(told) if isinstance(told, dict) else range(len(told)) if isinstance(told, list) else ()
    return [place for key in keys for place in [(told, key), *_places(told[key])]]


def _copy(told: Any) -> Any:
    return json.loads(json.dumps(told))


def _other_value(told: Any, rng: random.Random) -> Any:
    told = _copy(told)
    holder, key = rng.choice(_places(told) or [({"a": 1}, "a")])
    holder[key] = rng.choice(_VALUES)
    return told


def _damaged_text(told: Any, rng: random.Random) -> Any:
    """Flip a bit of a text, or cut it short: of a frame, a payload, an identifier."""
    told = _copy(told)
    texts = [(holder, key) for holder, key in _places(told) if isinstance(holder[key], str) and holder[key]]
    if texts:
        holder, key = rng.choice(texts)
        text, at = holder[key], rng.randrange(len(holder[key]))
        flipped = text[:at] + chr(ord(text[at]) ^ (1 << rng.randrange(6))) + text[at + 1 :]
        holder[key] = rng.choice([flipped, text[:at], text[at:], text + text])
    return told


def _without(told: Any, rng: random.Random) -> Any:
    told = _copy(told)
    holder, key = rng.choice(_places(told) or [({"a": 1}, "a")])
    del holder[key]
    return told


def _with_more(told: Any, rng: random.Random) -> Any:
    told = _copy(told)
    dicts = [told, *(holder[key] for holder, key in _places(told))]
    holder = rng.choice([found for found in dicts if isinstance(found, dict)] or [{}])
    holder[rng.choice(["", "\x00", "extra", "payload_base64", "FRMPayload", "PHYPayload", "__class__", "é" * 200])] = (
        rng.choice(_VALUES)
    )
    return told


# On bytes ------------------------------------------------------------------------------------------------------------


def _with_raw(told: Any, rng: random.Random) -> bytes:
    told = _copy(told)
    holder, key = rng.choice(_places(told) or [({"a": 1}, "a")])
    holder[key] = _MARK
    return json.dumps(told, ensure_ascii=False).encode().replace(f'"{_MARK}"'.encode(), rng.choice(_RAW))


def _flipped(content: bytes, rng: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice([1, 1, 2, 8])):
        if changed:
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _spliced(content: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(content) + 1)
    return (
        content[:at] + rng.choice([b"\x00", b"\xff", b"\xed\xa0\x80", b"\n", b"[", b'"', b"\\", *_RAW]) + content[at:]
    )


_ON_VALUES: tuple[Callable[[Any, random.Random], Any], ...] = (
    _other_value,
    _other_value,
    _damaged_text,
    _damaged_text,
    _without,
    _with_more,
)
_ON_BYTES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _flipped,
    _spliced,
    lambda content, rng: content[: rng.randrange(len(content) + 1)],
    lambda content, rng: content[rng.randrange(len(content) + 1) :],
    lambda content, _: content + content,
    lambda content, _: content.decode(errors="replace").encode("utf-16"),
    lambda content, _: b"\xef\xbb\xbf" + content,
)
