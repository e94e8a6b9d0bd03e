"""Values of DuckDB's Python interface as JSON and back, each of the same type and the same to the last digit.

What JSON knows stands as it is; anything else is an object of one member, whose name is the type.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np

_PLAIN = (str, int, float, bool, type(None))
#: As DuckDB names the zone of a connection with `SET TimeZone = 'UTC'`.
_UTC = ZoneInfo("UTC")


def to_json(value: Any) -> Any:
    """Return `value` as json.dumps takes it. Raises TypeError for a type that no question or answer has."""
    if isinstance(value, _PLAIN):
        return value
    if isinstance(value, list):
        return [to_json(item) for item in value]
    for kind, name, told in _KINDS:
        if isinstance(value, kind):
            return {name: told(value)}
    if isinstance(value, np.generic):
        return to_json(value.item())
    raise TypeError(f"expected a value such as a number, text, bytes, an instant or a list, got {type(value).__name__}")


def from_json(told: Any) -> Any:
    """Return the value that `to_json` told."""
    if isinstance(told, list):
        return [from_json(item) for item in told]
    if isinstance(told, dict):
        ((name, content),) = told.items()
        return _READ[name](content)
    return told


def _instant(value: datetime) -> str | list[str]:
    if value.tzinfo is not None and str(value.tzinfo) == "UTC" and isinstance(value.tzinfo, ZoneInfo):
        return [value.replace(tzinfo=None).isoformat()]
    return value.isoformat()


def _read_instant(told: str | list[str]) -> datetime:
    if isinstance(told, str):
        return datetime.fromisoformat(told)
    return datetime.fromisoformat(told[0]).replace(tzinfo=_UTC)


#: A datetime is a date, too: the narrower type comes first.
_KINDS: tuple[tuple[type, str, Callable[[Any], Any]], ...] = (
    (datetime, "datetime", _instant),
    (date, "date", date.isoformat),
    (time, "time", time.isoformat),
    (timedelta, "timedelta", lambda value: [value.days, value.seconds, value.microseconds]),
    (bytes, "bytes", lambda value: base64.b64encode(value).decode()),
    (tuple, "tuple", lambda value: [to_json(item) for item in value]),
    (dict, "dict", lambda value: [[to_json(key), to_json(item)] for key, item in value.items()]),
    (Decimal, "decimal", str),
    (UUID, "uuid", str),
)
_READ: dict[str, Callable[[Any], Any]] = {
    "datetime": _read_instant,
    "date": date.fromisoformat,
    "time": time.fromisoformat,
    "timedelta": lambda told: timedelta(*told),
    "bytes": base64.b64decode,
    "tuple": lambda told: tuple(from_json(item) for item in told),
    "dict": lambda told: {from_json(key): from_json(item) for key, item in told},
    "decimal": Decimal,
    "uuid": UUID,
}
