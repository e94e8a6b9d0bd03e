"""What the values of a sample message look like: which canonical field each could be, and how it would be read.

Shapes come from the standards (EUI-64: 16 hex digits, DevAddr: 8, RFC 3339, RFC 4648) and from what radio allows:
bands between 137 MHz and 2.5 GHz, signal strengths from -150 to -20 dBm, spreading factors 5 to 12. Small whole numbers
have no shape of their own; the trade's words in the member's name then decide, and between equals, too (common
practice).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

_HEX = re.compile(r"(?:0x)?[0-9a-f]{2}(?:[ :.-]?[0-9a-f]{2})*", re.ASCII | re.IGNORECASE)
_BASE64 = re.compile(r"[A-Za-z0-9+/]+={0,2}", re.ASCII)
_BASE64URL = re.compile(r"[A-Za-z0-9_-]+={0,2}", re.ASCII)
_DECIMAL = re.compile(r"-?(?:0|[1-9]\d{0,18})(?:\.\d{1,18})?", re.ASCII)
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_SF, _BW = re.compile(r"SF[ :=_-]*\d{1,2}(?!\d)"), re.compile(r"BW[ :=_-]*\d{2,6}")
_CODING_RATE = re.compile(r"4/[5-8]", re.ASCII)
_WORDS = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+")
#: The names that the trade gives to a field's members, as words of the member's name.
_NAMES: dict[str, frozenset[str]] = {
    "dev_eui": frozenset({"dev", "device", "eui", "station", "node", "probe"}),
    "dev_addr": frozenset({"addr", "address", "session"}),
    "fport": frozenset({"port", "fport"}),
    "fcnt": frozenset({"fcnt", "count", "counter", "cnt", "sequence", "seq", "number"}),
    "payload": frozenset({"payload", "data", "content", "bytes", "frm", "body"}),
    "heard_at": frozenset({"time", "at", "when", "heard", "received", "timestamp", "instant"}),
    "frequency_hz": frozenset({"freq", "frequency", "hz", "mhz", "khz", "channel"}),
    "spreading_factor": frozenset({"sf", "spreading", "spread", "rate"}),
    "bandwidth_hz": frozenset({"bw", "bandwidth", "width", "rate"}),
    "confirmed": frozenset({"confirmed", "confirm", "ack"}),
    "gateway": frozenset({"gateway", "gw", "eui", "id", "name", "mast", "receiver"}),
    "rssi_dbm": frozenset({"rssi", "signal", "dbm", "strength"}),
    "snr_db": frozenset({"snr", "noise", "db", "lsnr"}),
    "latitude_deg": frozenset({"lat", "latitude"}),
    "longitude_deg": frozenset({"lon", "lng", "long", "longitude"}),
    "antenna": frozenset({"antenna", "ant"}),
}
#: Fields that a value alone can't tell: nothing but their names does.
_BY_NAME_ALONE = frozenset({"fport", "fcnt", "confirmed", "snr_db", "latitude_deg", "longitude_deg", "antenna"})


#: Identifiers: as hex digits, their number tells them; as base64, they could be a short payload.
_BY_DIGITS = frozenset({"dev_eui", "dev_addr"})


@dataclass(frozen=True)
class Leaf:
    """A plain value of a message: its pointer, the name of the member it stands in, and the value."""

    pointer: str
    name: str
    value: Any


@dataclass(frozen=True)
class Candidate:
    """A value that could be a field: how it would be read (TOML after the pointer), and how much speaks for it."""

    leaf: Leaf
    reading: str
    score: int


def leaves(value: Any, pointer: str = "", name: str = "") -> Iterator[Leaf]:
    """Yield the plain values of a JSON value, those in lists left out; null is none."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{pointer}/{key.replace('~', '~0').replace('/', '~1')}", key)
    elif value is not None and not isinstance(value, list):
        yield Leaf(pointer, name, value)


def lists(value: Any, pointer: str = "") -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Yield the lists of objects in a JSON value, the outermost first, with the pointer to each."""
    if isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
        yield pointer, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from lists(inner, f"{pointer}/{key.replace('~', '~0').replace('/', '~1')}")


def candidates(field: str, found: list[Leaf]) -> list[Candidate]:
    """Return the values that could be `field`, the likeliest first."""
    told = []
    for leaf in found:
        named = len(_NAMES.get(field, frozenset()) & _words(leaf.name))
        reading = _SHAPES[field](leaf.value)
        plain = field in _BY_NAME_ALONE or (field == "spreading_factor" and not reading)
        if reading is not None and (named or not plain):
            # A member that is named for another field is rather that one.
            others = max((len(names & _words(leaf.name)) for names in _NAMES.values()), default=0)
            surer = 1 if field in _BY_DIGITS and not reading else 0
            told.append(Candidate(leaf, reading, 2 * named - others + surer))
    return sorted(told, key=lambda candidate: -candidate.score)


def _words(name: str) -> set[str]:
    return {word.lower() for word in _WORDS.findall(name)}


def _number(value: Any, low: float, high: float, *, whole: bool = False) -> bool:
    if isinstance(value, str) and _DECIMAL.fullmatch(value):
        value = float(value)
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and low <= value <= high
        and (not whole or value == int(value))
    )


def _identifier(length: int, value: Any) -> str | None:
    if _digits(2 * length, value) is not None:
        return ""
    if isinstance(value, str) and len(value) % 4 == 0 and _BASE64.fullmatch(value):
        fits = value.endswith("=") and len(value) * 3 // 4 - value.count("=") == length
        return 'encoding = "base64"' if fits else None
    return None


def _digits(count: int, value: Any) -> str | None:
    fits = isinstance(value, str) and _HEX.fullmatch(value)
    return "" if fits and len(re.sub(r"^0x|[ :.-]", "", value)) == count else None


def _payload(value: Any) -> str | None:
    if (
        not isinstance(value, str)
        or len(value) < 2
        or _DECIMAL.fullmatch(value)
        or _RFC3339.fullmatch(value)
        or _CODING_RATE.fullmatch(value)
    ):
        return None
    if _HEX.fullmatch(value):
        return 'encoding = "hex"' if _digits(16, value) is None and _digits(8, value) is None else None
    if len(value) < 4:
        return None
    if _BASE64.fullmatch(value) and len(value) % 4 == 0:
        return 'encoding = "base64"'
    return 'encoding = "base64url"' if _BASE64URL.fullmatch(value) and re.search(r"\d", value) else None


def _time(value: Any) -> str | None:
    if isinstance(value, str) and _RFC3339.fullmatch(value):
        return 'format = "rfc3339"'
    for form, low in (("unix_s", 1e9), ("unix_ms", 1e12), ("unix_us", 1e15), ("unix_ns", 1e18)):
        if _number(value, low, low * 4):  # September 2001 to October 2096
            return f'format = "{form}"'
    return None


def _frequency(value: Any) -> str | None:
    for reading, hz in (("", 1), ("factor = 1_000", 1e3), ("factor = 1_000_000", 1e6)):
        if _number(value, 137e6 / hz, 1.02e9 / hz) or _number(value, 2.4e9 / hz, 2.5e9 / hz):
            return reading
    return None


def _spreading_factor(value: Any) -> str | None:
    if isinstance(value, str) and _SF.search(value):
        return 'after = "SF"'
    return "" if _number(value, 5, 12, whole=True) else None


def _bandwidth(value: Any) -> str | None:
    if isinstance(value, str) and _BW.search(value):
        return 'after = "BW", factor = 1_000'
    for reading, widths in (("factor = 1_000", (125, 250, 500)), ("", (125_000, 250_000, 500_000))):
        if any(_number(value, width, width) for width in widths):
            return reading
    return None


def _within(low: float, high: float, *, whole: bool = False) -> Any:
    return lambda value: "" if _number(value, low, high, whole=whole) else None


_SHAPES: dict[str, Any] = {
    "dev_eui": lambda value: _identifier(8, value),
    "dev_addr": lambda value: _identifier(4, value),
    "fport": _within(1, 223, whole=True),
    "fcnt": _within(0, 0xFFFF_FFFF, whole=True),
    "payload": _payload,
    "heard_at": _time,
    "frequency_hz": _frequency,
    "spreading_factor": _spreading_factor,
    "bandwidth_hz": _bandwidth,
    "coding_rate": lambda value: "" if isinstance(value, str) and _CODING_RATE.fullmatch(value) else None,
    "confirmed": lambda value: "" if isinstance(value, bool) else None,
    "gateway": lambda value: "" if isinstance(value, str) and 0 < len(value) <= 64 else None,
    "rssi_dbm": _within(-150, -20),
    "snr_db": _within(-30, 30),
    "latitude_deg": _within(-90, 90),
    "longitude_deg": _within(-180, 180),
    "antenna": _within(0, 255, whole=True),
}
