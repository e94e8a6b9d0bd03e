"""JSON Pointers (RFC 6901) into a message: what stands there, or where the way ended."""

from __future__ import annotations

import copy
import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from jsonpointer import EndOfList, JsonPointer, JsonPointerException

from loamline.edges.envelopes.map_values import shown

_MEMBERS_SHOWN = 12


@dataclass(frozen=True)
class Place:
    """A part of a message, and the pointer to it."""

    value: Any
    pointer: str


#: What stands where nothing does; null is something.
NOTHING = object()

#: A map has some dozens of pointers, and each message asks for all of them.
_parsed = lru_cache(maxsize=1024)(JsonPointer)


def resolve(scope: Place, at: str) -> tuple[Any, str]:
    """Return what stands at a pointer into `scope`, or `NOTHING` and where the way ended."""
    pointer, value, way = _parsed(at), scope.value, scope.pointer
    for part in pointer.parts:
        try:
            step = pointer.walk(value, part)
        except JsonPointerException:
            step = NOTHING
        if step is NOTHING or isinstance(step, EndOfList):
            return NOTHING, f"{way or 'the message'} {_holding(value)}"
        value = step
        way += "/" + part.replace("~", "~0").replace("/", "~1")
    return value, ""


def _holding(value: Any) -> str:
    if isinstance(value, dict):
        names = [shown(name) for name in list(value)[:_MEMBERS_SHOWN]]
        more = ", ..." if len(value) > _MEMBERS_SHOWN else ""
        return f"holds {', '.join(names)}{more}" if names else "is an empty object"
    return f"is {shown(value)}"


def with_items(message: Any, list_at: str, items: list[Any]) -> bytes:
    """Return a message with other items in its list of uplinks, as JSON."""
    pointer = _parsed(list_at)
    parts = copy.copy(message)
    at = parts
    for part in pointer.parts[:-1]:
        key = JsonPointer.get_part(at, part)
        at[key] = copy.copy(at[key])
        at = at[key]
    if pointer.parts:
        at[JsonPointer.get_part(at, pointer.parts[-1])] = items
    return json.dumps(parts if pointer.parts else items).encode()
