"""What a value that an envelope map found becomes in the canonical uplink.

Numbers are reckoned in decimal, as they are written: 868.1 MHz is 868100000 Hz, which binary fractions miss.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from datetime import UTC, datetime, timedelta
from decimal import ROUND_FLOOR, Decimal
from typing import Any

from pydantic import TypeAdapter, ValidationError

from loamline.edges.sentences import findings
from loamline_schemas.envelope_map import (
    AnySource,
    Encoding,
    FlagSource,
    GatewaySource,
    IdentifierSource,
    NumberSource,
    PayloadSource,
    TimeFormat,
    TimeSource,
)
from loamline_schemas.uplink import Instant

#: Fields of the canonical uplink that are whole numbers.
WHOLE = frozenset({"fport", "fcnt", "frequency_hz", "spreading_factor", "bandwidth_hz", "antenna"})
#: No figure of an uplink comes near it; a longer one would be an attack.
_MOST = Decimal(10) ** 20
_NUMBER = re.compile(r"[+-]?[0-9]{1,20}(?:\.[0-9]{1,20})?", re.ASCII)
_SEPARATORS = re.compile(r"[\s:._-]+")
_RFC3339: TypeAdapter[datetime] = TypeAdapter(Instant)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_PER_SECOND: dict[TimeFormat, int] = {"unix_s": 1, "unix_ms": 10**3, "unix_us": 10**6, "unix_ns": 10**9}
_BYTES_SHOWN = {
    "hex": "hex digits, two a byte",
    "base64": "base64 (RFC 4648, 4)",
    "base64url": "base64url (RFC 4648, 5)",
}
_TEXT_SHOWN = 80


class MapValueError(Exception):
    """A value that is not what its field needs: `expected`, and `got` in few words."""

    def __init__(self, expected: str, got: str) -> None:
        super().__init__(f"expected {expected}, got {got}")
        self.expected, self.got = expected, got


def shown(value: object) -> str:
    """Return a JSON value in at most a line."""
    if isinstance(value, dict):
        return f"an object of {len(value)} members"
    if isinstance(value, list):
        return f"a list of {len(value)} items"
    text = json.dumps(value, ensure_ascii=False) if not isinstance(value, datetime) else value.isoformat()
    return text if len(text) <= _TEXT_SHOWN else text[: _TEXT_SHOWN - 3] + "..."


def is_absent(source: AnySource, value: object) -> bool:
    """Return whether a value says that there is none: null, or one that the map calls absent."""
    return value is None or any(type(value) is type(none) and value == none for none in source.absent)


def converted(name: str, source: AnySource, value: Any) -> Any:
    """Return what the canonical field `name` becomes of a JSON value. Raises MapValueError."""
    values = getattr(source, "values", None)
    if values is not None:
        value = _looked_up(values, value)
    if isinstance(source, PayloadSource):
        return _bytes(value, source.encoding).hex()
    if isinstance(source, TimeSource):
        return _instant(value, source.format)
    if isinstance(source, NumberSource):
        return _number(name, source, value)
    encoding = source.encoding if isinstance(source, IdentifierSource | GatewaySource) else None
    if encoding is not None:
        return _bytes(value, encoding).hex().upper()
    return _flag(value) if isinstance(source, FlagSource) else _text(value)


def _looked_up(values: dict[str, Any], value: object) -> Any:
    key = value if isinstance(value, str) else json.dumps(value) if isinstance(value, int | float) else None
    if key not in values:
        known = ", ".join(json.dumps(told, ensure_ascii=False) for told in values)
        raise MapValueError(f"one of {known}", shown(value))
    return values[key]


def _text(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if not isinstance(value, str):
        raise MapValueError("text", shown(value))
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise MapValueError("true or false", shown(value))
    return value


def _bytes(value: object, encoding: Encoding) -> bytes:
    if not isinstance(value, str):
        raise MapValueError(_BYTES_SHOWN[encoding], shown(value))
    try:
        if encoding == "hex":
            digits = _SEPARATORS.sub("", value.strip().removeprefix("0x").removeprefix("0X"))
            return binascii.unhexlify(digits)
        text = "".join(value.split()).rstrip("=")
        padded = text + "=" * (-len(text) % 4)
        altchars = b"-_" if encoding == "base64url" else b"+/"
        if encoding == "base64url" and re.search(r"[+/]", text):
            raise MapValueError(_BYTES_SHOWN[encoding], shown(value))
        return base64.b64decode(padded, altchars=altchars, validate=True)
    except ValueError:
        raise MapValueError(_BYTES_SHOWN[encoding], shown(value)) from None


def _number(name: str, source: NumberSource, value: object) -> int | float:
    if source.after is not None:
        value = _following(source.after, value)
    told = _decimal(value)
    if not (source.factor == 1 and source.offset == 0):
        told = told * Decimal(repr(source.factor)) + Decimal(repr(source.offset))
    if abs(told) > _MOST:
        raise MapValueError(f"a number up to {_MOST:.0e}", shown(value))
    if name not in WHOLE:
        return float(told)
    if told != told.to_integral_value():
        told_as = shown(value) if told == _decimal(value) else f"{told.normalize():f}, made of {shown(value)}"
        raise MapValueError("a whole number", told_as)
    return int(told)


def _following(text: str, value: object) -> str:
    _, found, rest = value.partition(text) if isinstance(value, str) else ("", "", "")
    number = _NUMBER.match(rest.lstrip(" :=_-"))
    if not found or number is None:
        raise MapValueError(f"a text with a number after {json.dumps(text, ensure_ascii=False)}", shown(value))
    return number.group()


def _decimal(value: object) -> Decimal:
    if isinstance(value, str) and _NUMBER.fullmatch(value.strip()):
        return Decimal(value.strip())
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _MOST:
        return Decimal(repr(value))
    raise MapValueError("a number", shown(value))


def _instant(value: object, form: TimeFormat) -> datetime:
    if form == "rfc3339":
        try:
            return _RFC3339.validate_python(value)  # as the canonical uplink reads its own
        except ValidationError as problem:
            raise MapValueError(findings(problem)[0][1], shown(value)) from None
    expected = f"a Unix time in {form.removeprefix('unix_')}"
    try:
        microseconds = _decimal(value) * 10**6 / _PER_SECOND[form]
        return _EPOCH + timedelta(microseconds=int(microseconds.to_integral_value(ROUND_FLOOR)))
    except MapValueError as problem:
        raise MapValueError(expected, problem.got) from None
    except OverflowError:
        raise MapValueError(f"{expected}, in the years 1 to 9999", shown(value)) from None
