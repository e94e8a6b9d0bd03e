"""Whether a layout says something with every bit and every branch; each fault is one sentence without the codec's name.

Every bit is a field that a quantity maps or that decides the layout, a constant, or declared filling. Every
branch can be taken by a payload that the codec reads.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator
from typing import Any

import construct as c

from loamline_codecs.declaration import Codec
from loamline_codecs.fields import Fields, Spot
from loamline_codecs.possible import Possible
from loamline_codecs.walkable import PASS


def layout_problems(codec: Codec, fields: Fields, possible: Possible) -> Iterator[str]:
    """Yield what is wrong with a layout by itself and with the rest of its declaration."""
    yield from _names(fields)
    yield from _citations(fields)
    yield from _constants(codec, fields)
    yield from _branches(fields, possible)
    yield from _bits(codec, fields)


def cited_by_declaration(codec: Codec) -> Iterator[tuple[str, str, str]]:
    """Yield every field path that a declaration cites: what cites it, the path, and the list that it stands in."""
    for quantity in codec.quantities:
        yield quantity.name, quantity.field, ""
    for group in codec.samples:
        for quantity in group.quantities:
            path = f"{group.repeat}.{quantity.field}" if group.repeat else quantity.field
            yield quantity.name, path, group.repeat or ""
            if quantity.switch:
                yield f"{quantity.name}, switch", quantity.switch, ""
        if group.age_interval:
            yield "age_interval", group.age_interval, ""
    for bound in codec.bounds:
        yield "bound", bound.field, ""


def _names(fields: Fields) -> Iterator[str]:
    for spot in fields.spots:
        if isinstance(spot.node, c.Struct | c.Sequence):
            for name, count in Counter(subcon.name for subcon in spot.node.subcons if subcon.name).items():
                if count > 1:
                    path = f"{spot.path}.{name}" if spot.path else name
                    yield f"{path}: expected one field of this name in its section, got {count}; rename all but one"


def _citations(fields: Fields) -> Iterator[str]:
    known = {spot.path for spot in fields.spots}
    for spot, path, resolved in fields.cited():
        if resolved is not None and resolved not in known:
            yield f"{spot.label}: expected a field of the layout, got {path!r}; spell it as the layout does"


def _constants(codec: Codec, fields: Fields) -> Iterator[str]:
    """Constants that don't fit their field, or leave nothing to read of what the match rule lets through."""
    match = codec.match
    leading = f"{match.value:0{match.leading_bits}b}" if match.leading_bits else ""
    for spot in fields.spots:
        if type(spot.node) is not c.Const:
            continue
        try:
            built = spot.node.build(None)
        except c.ConstructError:
            yield (
                f"{spot.label}: expected a constant that the field can hold, got {spot.node.value!r}; "
                "widen the field or correct the constant"
            )
            continue
        if spot.first_bit is None or spot.choices or spot.first_bit >= match.leading_bits:
            continue
        bits = "".join(str(octet) if spot.place == "bits" else f"{octet:08b}" for octet in built)
        wanted = leading[spot.first_bit : spot.first_bit + len(bits)]
        if not bits.startswith(wanted):
            yield (
                f"{spot.label}: expected a constant whose bits are those that the match rule asks for, {wanted}, got "
                f"{spot.node.value!r}, which begins with {bits[: len(wanted)]}: the codec could read nothing; correct "
                "the constant or the match rule"
            )


def _branches(fields: Fields, possible: Possible) -> Iterator[str]:
    for spot in fields.spots:
        if type(spot.node) is c.IfThenElse:
            yield from _condition(spot, possible)
        elif type(spot.node) is c.Switch:
            yield from _cases(spot, possible)


def _condition(spot: Spot, possible: Possible) -> Iterator[str]:
    condition = spot.node.condfunc
    values = possible.of(condition, spot)
    if values is None or possible.may_be_absent(condition, spot):
        return
    truths = {bool(value) for value in _few(values)}
    if len(truths) < 2:
        always = f"always {'true' if True in truths else 'false'}" if truths else "never answered"
        yield (
            f"{spot.label}: expected a condition that depends on the payload, got {condition!r}, which is {always}; "
            "declare the section that is read without a condition"
        )


def _cases(spot: Spot, possible: Possible) -> Iterator[str]:
    key, cases = spot.node.keyfunc, spot.node.cases
    values = possible.of(key, spot)
    if values is None:
        return
    absent = possible.may_be_absent(key, spot)
    if len(values) < 2 and not absent:
        got = f"which is always {next(iter(values))!r}" if values else "which has no value in any payload"
        yield (
            f"{spot.label}: expected a switch that depends on the payload, got {key!r}, {got}; "
            "declare the case that is read without a switch"
        )
        return
    for case in cases:
        if case not in values and not (absent and case is None):
            yield (
                f"{spot.label}: expected cases among the values that {key!r} can have, {_spelled(values)}, "
                f"got case {case!r}, which is never reached; correct or remove it"
            )
    explicit = type(spot.node.default) is not PASS
    if explicit and not absent and len(values) <= len(cases) and all(value in cases for value in values):
        yield (
            f"{spot.label}: expected a default that some payload reaches, got one beside cases for all values of "
            f"{key!r}; remove it"
        )


def _few(values: Collection[Any]) -> Iterator[Any]:
    """Yield so many of the values that each truth comes up: of a range, its ends and zero."""
    if isinstance(values, range):
        yield from ([values[0], values[-1]] if values else [])
        yield from (0,) if 0 in values else ()
    else:
        yield from values


def _spelled(values: Collection[Any]) -> str:
    if isinstance(values, range):
        return f"{values.start} to {values.stop - 1}"
    listed = sorted(values, key=lambda value: (value is None, value))
    return ", ".join(map(repr, listed[:8])) + (", ..." if len(listed) > 8 else "")


def _bits(codec: Codec, fields: Fields) -> Iterator[str]:
    """Bits that say nothing: neither mapped nor deciding nor constant nor filling."""
    mapped = {path for _, path, _ in cited_by_declaration(codec)}
    decided = {resolved for _, _, resolved in fields.cited() if resolved is not None}
    told: set[str] = set()
    for spot in fields.leaves:
        if spot.fixed or spot.path in mapped or spot.path in told or _decides(spot, decided, fields):
            continue
        told.add(spot.path)
        if spot.named:
            yield (
                f"{spot.path}: expected a quantity, a bound or an expression that uses this field, got a field without "
                "meaning; map it in a Quantity, or declare its bits as Padding"
            )
        else:
            yield (
                f"{_position(spot)}: expected every bit to be accounted for, got {_size(spot)} without a name; name "
                "and map them, or declare them as Padding"
            )


def _decides(spot: Spot, decided: set[str], fields: Fields) -> bool:
    """Whether an expression cites the field, or a section or a list that it stands in."""
    steps = spot.path.split(".")
    if any(".".join(steps[: count + 1]) in decided for count in range(len(steps))):
        return True
    return steps[-1] in fields.names_in_functions


def _position(spot: Spot) -> str:
    if spot.first_bit is None:
        around = next((path for path in reversed(spot.frames) if path), "")
        return f"in {around}" if around else "after fields of varying length"
    size = spot.bits
    if spot.first_bit % 8 == 0 and size is not None and size % 8 == 0:
        first, last = spot.first_bit // 8, (spot.first_bit + size) // 8 - 1
        return f"byte {first}" if first == last else f"bytes {first} to {last}"
    if size is None:
        return f"from bit {spot.first_bit}"
    last = spot.first_bit + size - 1
    return f"bit {last}" if size == 1 else f"bits {spot.first_bit} to {last}"


def _size(spot: Spot) -> str:
    size = spot.bits
    if size is None:
        return "bytes"
    if size % 8 == 0 and spot.place != "bits":
        return f"{size // 8} byte{'' if size == 8 else 's'}"
    return f"{size} bit{'' if size == 1 else 's'}"
