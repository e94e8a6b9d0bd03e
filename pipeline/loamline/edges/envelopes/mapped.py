"""Messages of any JSON shape in, by an envelope map: which pointer gave what, what it becomes, what is wrong there.

One walk does all: the reader takes what came of it, and `loamline envelope try` shows it field by field.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.map_pointers import NOTHING, Place, resolve, with_items
from loamline.edges.envelopes.map_values import MapValueError, converted, is_absent, shown
from loamline.edges.messages import Accepted, Incoming, Rejected
from loamline.edges.sentences import findings
from loamline_schemas.envelope_map import REQUIRED, AnySource, EnvelopeMap, ReceptionMap, UplinkMap
from loamline_schemas.uplink import MAX_RECEPTIONS, Uplink

#: The map's name of a field, where the canonical uplink's is another.
_CANONICAL = {"payload": "payload_hex"}
#: Uplinks of one message; more would be an attack or a fault (common practice).
MOST_UPLINKS = 10_000
#: What stands beside them is kept with each; more bytes in all would be an attack or a fault.
MOST_BESIDE = 64 * 1024 * 1024


@dataclass(frozen=True)
class Finding:
    """One field: the pointer into the message (empty for a constant), what stands there, what it becomes.

    `problem` is the sentence on what is wrong, None where nothing is. `found` is None where nothing stands there;
    `missing` then tells where the pointer's way ended.
    """

    field: str
    pointer: str | None
    found: Any
    becomes: Any
    problem: str | None = None
    missing: str | None = None


@dataclass(frozen=True)
class Reading:
    """What a map makes of one uplink in a message: every field, in the map's order, and the uplink if it is one."""

    findings: tuple[Finding, ...]
    uplink: Uplink | None

    @property
    def problems(self) -> tuple[str, ...]:
        """Everything that is wrong, as sentences with their field."""
        return tuple(f"{found.field}: {found.problem}" for found in self.findings if found.problem)


def mapped_reader(declaration: EnvelopeMap, name: str = "") -> EnvelopeReader:
    """Return the reader of messages that a map describes; `name` is the map's, which a rejected message notes."""
    kind = f"map {name}" if name else "map"

    def read(content: bytes, source: str) -> list[Incoming]:
        try:
            return list(_incoming(declaration, content, source, kind))
        except Exception as problem:  # noqa: BLE001 - one message must never stop the daemon
            told = f"{type(problem).__name__}: {problem}"
            return [Rejected(source, f"{source}: expected a message of {kind}, got {told}", content, kind)]

    return read


def parse_message(content: bytes) -> Any:
    """Return the JSON value of a message. Raises ValueError, also for what only looks like JSON (RFC 8259)."""

    def refuse(word: str) -> Any:
        raise ValueError(f"{word}, which JSON has not")

    try:
        return json.loads(content, parse_constant=refuse)
    except RecursionError:
        raise ValueError("brackets too deep to follow") from None


def read_mapped(declaration: EnvelopeMap, message: Any) -> list[Reading]:
    """Return what a map makes of one message: a reading for each uplink in it. Raises nothing on JSON values.

    Where the list of uplinks is missing, or is none, the one reading says so.
    """
    whole = Place(message, "")
    found = _uplinks(declaration.uplink, whole)
    if isinstance(found, Finding):
        return [Reading((found,), None)]
    return [_read_one(declaration, place, whole) for place in found]


def _incoming(declaration: EnvelopeMap, content: bytes, source: str, kind: str) -> Iterator[Incoming]:
    try:
        message = parse_message(content)
    except ValueError as problem:
        yield Rejected(source, f"{source}: expected JSON, got {problem}", content, kind)
        return
    if not isinstance(message, list):
        yield from _of_message(declaration, message, source, content, kind)
        return
    if not message:
        yield Rejected(source, f"{source}: expected a message or a list of them, got an empty list", content, kind)
    for index, item in enumerate(message):
        yield from _of_message(declaration, item, f"{source}[{index}]", json.dumps(item).encode(), kind)


def _of_message(declaration: EnvelopeMap, message: Any, source: str, content: bytes, kind: str) -> Iterator[Incoming]:
    readings = read_mapped(declaration, message)
    list_at = declaration.uplink.list_at
    if list_at is not None and len(readings) > 1:
        beside = len(with_items(message, list_at, []))
        if beside * len(readings) > MOST_BESIDE:
            told = f"{len(readings)} uplinks with {beside} bytes beside them, which each would be kept with"
            yield Rejected(source, f"{source}: expected at most {MOST_BESIDE} bytes in all, got {told}", content, kind)
            return
    for index, reading in enumerate(readings):
        alone, where = content, source
        if list_at is not None and len(readings) > 1:
            # Each uplink is kept with all of the message but the others, so that it can be read again by itself.
            one = resolve(Place(message, ""), list_at)[0][index]
            alone, where = with_items(message, list_at, [one]), f"{source}{list_at}[{index}]"
        if reading.uplink is not None:
            yield Accepted(reading.uplink, alone)
        else:
            yield Rejected(where, f"{where}: {'; '.join(reading.problems)}", alone, kind)


# Uplinks ---------------------------------------------------------------------------------------------


def _uplinks(told: UplinkMap, whole: Place) -> list[Place] | Finding:
    if told.list_at is None:
        return [whole]
    value, missing = resolve(whole, told.list_at)
    expected = f"expected a list of uplinks at {told.list_at}"
    if value is NOTHING:
        return Finding("list_at", told.list_at, None, None, f"{expected}, found nothing: {missing}")
    if not isinstance(value, list) or not 0 < len(value) <= MOST_UPLINKS:
        return Finding("list_at", told.list_at, value, None, f"{expected}, got {shown(value)}")
    return [Place(item, f"{told.list_at}/{index}") for index, item in enumerate(value)]


def _read_one(declaration: EnvelopeMap, uplink: Place, whole: Place) -> Reading:
    scopes = {"here": uplink, "uplink": uplink, "message": whole}
    fields = _sources(declaration.uplink)
    found = [_field(name, name, source, scopes, required=name in REQUIRED) for name, source in fields.items()]
    told = {_CANONICAL.get(one.field, one.field): one.becomes for one in found if one.becomes is not None}
    receptions: list[dict[str, Any]] = []
    if declaration.reception is not None:
        for of_one in _receptions(declaration.reception, uplink, whole):
            found += of_one
            receptions.append({one.field.rpartition(".")[2]: one.becomes for one in of_one if one.becomes is not None})
    if any(one.problem for one in found):
        return Reading(tuple(found), None)
    try:
        return Reading(tuple(found), Uplink.model_validate({**told, "receptions": [row for row in receptions if row]}))
    except ValidationError as problem:
        return Reading(tuple(_with_problems(found, problem)), None)


def _with_problems(found: list[Finding], problem: ValidationError) -> Iterator[Finding]:
    """Yield the findings, each with what the canonical uplink says against what it became."""
    by_field: dict[str, str] = {}
    for where, expected, got in findings(problem):
        # What concerns no field by itself is the payload: its length.
        field = "payload" if where in {"", "payload_hex"} else where
        by_field.setdefault(field, f"expected {expected}%s, got {got}")
    known = {one.field for one in found}
    for one in found:
        told = by_field.get(one.field)
        yield (
            one
            if told is None
            else replace(one, problem=told.replace("%s", f" at {one.pointer}" if one.pointer else "", 1))
        )
    for field in by_field.keys() - known:
        yield Finding(field, None, None, None, by_field[field].replace("%s", "", 1))


# Receptions ------------------------------------------------------------------------------------------


def _receptions(told: ReceptionMap, uplink: Place, whole: Place) -> Iterator[list[Finding]]:
    sources = _sources(told)
    if told.list_at is None:
        yield from _only_reception(sources, uplink, whole)
        return
    value, missing = resolve(uplink, told.list_at)
    pointer = uplink.pointer + told.list_at
    if value is NOTHING or value is None:
        yield [Finding("receptions", pointer, None, None, missing=missing or None)]
        return
    if not isinstance(value, list) or len(value) > MAX_RECEPTIONS:
        problem = f"expected a list of at most {MAX_RECEPTIONS} receptions at {pointer}, got {shown(value)}"
        yield [Finding("receptions", pointer, value, None, problem)]
        return
    for index, item in enumerate(value):
        scopes = {"here": Place(item, f"{pointer}/{index}"), "uplink": uplink, "message": whole}
        yield [
            _field(f"receptions.{index}.{name}", name, source, scopes, required=name == "gateway")
            for name, source in sources.items()
        ]


def _only_reception(sources: Mapping[str, AnySource], uplink: Place, whole: Place) -> Iterator[list[Finding]]:
    """Yield the reception that stands in the uplink itself; none where nothing of it does."""
    scopes = {"here": uplink, "uplink": uplink, "message": whole}
    found = [_field(f"receptions.0.{name}", name, source, scopes, required=False) for name, source in sources.items()]
    told = [one for one in found if one.pointer is not None and (one.becomes is not None or one.problem)]
    if told and found[0].becomes is None and found[0].problem is None:
        found[0] = _field("receptions.0.gateway", "gateway", sources["gateway"], scopes, required=True)
    # Where nothing is told, the fields are still shown, and make no reception.
    yield found if told else [replace(one, becomes=None) for one in found]


# Fields ----------------------------------------------------------------------------------------------


def _sources(part: UplinkMap | ReceptionMap) -> dict[str, AnySource]:
    told = {name: getattr(part, name) for name in type(part).model_fields if name != "list_at"}
    return {name: source for name, source in told.items() if source is not None}


def _field(field: str, name: str, source: AnySource, scopes: Mapping[str, Place], *, required: bool) -> Finding:
    constant = getattr(source, "constant", None)
    if constant is not None:
        return _converted(Finding(field, None, None, None), name, source, constant)
    scope, at = scopes[source.within], source.at or ""
    value, missing = resolve(scope, at)
    found = Finding(field, scope.pointer + at, None if value is NOTHING else value, None, missing=missing or None)
    if value is NOTHING:
        problem = f"expected a value at {found.pointer or 'the whole'}, found nothing: {missing}"
        return replace(found, problem=problem) if required else found
    if is_absent(source, value):
        problem = f"expected a value at {found.pointer or 'the whole'}, got {shown(value)}, which says there is none"
        return replace(found, problem=problem) if required else found
    return _converted(found, name, source, value)


def _converted(found: Finding, name: str, source: AnySource, value: Any) -> Finding:
    try:
        return replace(found, becomes=converted(name, source, value))
    except MapValueError as problem:
        where = "as constant" if found.pointer is None else f"at {found.pointer or 'the whole'}"
        return replace(found, problem=f"expected {problem.expected} {where}, got {problem.got}")
