"""Whether what a declaration says of its fields can be meant; each fault is one sentence without the codec's name."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

import construct as c

from loamline_codecs.accounting import cited_by_declaration
from loamline_codecs.declaration import Bound, Codec, Quantity, SampleGroup
from loamline_codecs.fields import Fields
from loamline_codecs.possible import Possible
from loamline_codecs.quantities import SAMPLE_QUANTITIES, UPLINK_QUANTITIES

_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")

#: The longest application payload of any LoRaWAN region and data rate (LoRaWAN Regional Parameters), bytes.
LONGEST_PAYLOAD = 242

#: The largest index of a depth that the columns of a batch hold.
DEEPEST_INDEX = (1 << 15) - 1


def reference_problems(codec: Codec, fields: Fields) -> Iterator[str]:
    """Yield what is wrong with names, units and the fields that they cite."""
    yield from _quantities(codec.quantities, UPLINK_QUANTITIES, "message")
    for group in codec.samples:
        yield from _quantities(group.quantities, SAMPLE_QUANTITIES, "sample")
        yield from _group(group, fields)
    for user, path, repeat in cited_by_declaration(codec):
        yield from _reference(user, path, repeat, fields)


def meaning_problems(codec: Codec, fields: Fields, possible: Possible) -> Iterator[str]:
    """Yield what is wrong with the raw values that a declaration gives a meaning to."""
    for bound in codec.bounds:
        yield from _bound(bound, possible)
    for quantity in codec.quantities:
        yield from _raw_values(codec, quantity, quantity.field, possible)
    for group in codec.samples:
        for quantity in group.quantities:
            path = f"{group.repeat}.{quantity.field}" if group.repeat else quantity.field
            yield from _raw_values(codec, quantity, path, possible)
        yield from _ages(codec, group, fields, possible)


def _quantities(quantities: tuple[Quantity, ...], known: dict[str, str], whose: str) -> Iterator[str]:
    for name, count in Counter(quantity.name for quantity in quantities).items():
        if count > 1:
            yield f"{name}: expected one field for this quantity of a {whose}, got {count}; remove all but one"
    for quantity in quantities:
        name, unit = quantity.name, quantity.unit
        if name not in known:
            yield f"expected one of {', '.join(known)}, got {name!r}; choose one of these names"
        elif unit not in {*UPLINK_QUANTITIES.values(), *SAMPLE_QUANTITIES.values()}:
            units = ", ".join(dict.fromkeys([*UPLINK_QUANTITIES.values(), *SAMPLE_QUANTITIES.values()]))
            yield f"{name}: expected a known UCUM code ({units}), got {unit!r}; the unit of {name} is {known[name]}"
        elif unit != known[name]:
            yield f"{name}: expected unit {known[name]}, got {unit}; give scale and offset that lead to {known[name]}"
        for what, text in (("scale", quantity.scale), ("offset", quantity.offset)):
            if type(text) is not str or not _DECIMAL.fullmatch(text):
                yield f'{name}: expected decimal text as {what}, such as "0.01", got {text!r}; write it so'
            elif what == "scale" and not text.lower().partition("e")[0].strip("+-0."):
                yield f"{name}: expected a scale other than 0, got {text!r}; every raw value would give one figure"


def _group(group: SampleGroup, fields: Fields) -> Iterator[str]:
    if group.depth_index is not None and not 0 <= group.depth_index <= DEEPEST_INDEX:
        yield f"depth_index: expected 0 to {DEEPEST_INDEX}, got {group.depth_index}; count depths from 0"
    if group.repeat is None:
        if group.age_interval is not None:
            yield (
                f"age_interval: expected a group with repeat, got {group.age_interval!r} in a group without; "
                "one sample is as old as its uplink"
            )
        return
    kinds = fields.kinds.get(group.repeat)
    if kinds is None:
        yield f"repeat: {_unknown(group.repeat)}"
    elif "list" not in kinds or not kinds <= {"list", "nothing", "unknown"}:
        yield f"repeat: expected an array, got {group.repeat!r}, which is a {_spelled(kinds)}; cite an Array of Structs"
    elif not fields.elements(group.repeat) <= {"section", "nothing", "unknown"}:
        found = _spelled(fields.elements(group.repeat))
        yield f"repeat: expected an array of sections, got {group.repeat!r} of {found}s; put each into a Struct"


def _reference(user: str, path: str, repeat: str, fields: Fields) -> Iterator[str]:
    """Say why a cited path is no number: of a sample's fields those within the element."""
    kinds = fields.kinds.get(path)
    if kinds is None or "(" in path:
        yield f"{user}: {_unknown(path)}"
        return
    steps = path.split(".")
    for count in range(1, len(steps)):
        outer = ".".join(steps[:count])
        if outer == repeat:
            continue
        inside = fields.kinds.get(outer, {"unknown"}) - {"section", "nothing", "unknown"}
        if inside:
            yield (
                f"{user}: expected a field in sections, got {path!r}, where {outer!r} is a {_spelled(inside)}; "
                "cite it in a SampleGroup that repeats over the array"
            )
            return
    if not kinds <= {"number", "nothing", "unknown"} or kinds == {"nothing"}:
        yield f"{user}: expected a number, got {path!r}, which is {_article(kinds)}; cite a field that holds a number"


def _unknown(path: str) -> str:
    return f"expected a field of the layout, got {path!r}; spell the field's path as the layout does"


def _spelled(kinds: set[str]) -> str:
    return " or ".join(sorted(kinds))


def _article(kinds: set[str]) -> str:
    return "filling" if kinds == {"nothing"} else f"a {_spelled(kinds - {'nothing'})}"


def _bound(bound: Bound, possible: Possible) -> Iterator[str]:
    where = f"{bound.field}, bound"
    if bound.low > bound.high:
        yield f"{where}: expected low <= high, got {bound.low} to {bound.high}; exchange them"
    width = possible.width(bound.field)
    if width is not None and not (bound.low in width and bound.high in width):
        yield f"{where}: expected raw values of the field, {_ends(width)}, got {bound.low} to {bound.high}; narrow it"
    elif possible.values(bound.field) is not None and not possible.values(bound.field):
        yield (
            f"{where}: expected a value that the match rule or a constant lets through, got {bound.low} to "
            f"{bound.high}: the codec could read nothing; correct one of them"
        )


def _raw_values(codec: Codec, quantity: Quantity, path: str, possible: Possible) -> Iterator[str]:
    name, width = quantity.name, possible.width(path)
    if quantity.valid is not None:
        low, high = quantity.valid
        if low > high:
            yield f"{name}, valid: expected low <= high, got {low} to {high}; exchange them"
        if width is not None and not (low in width and high in width):
            yield f"{name}, valid: expected raw values of the field, {_ends(width)}, got {low} to {high}; narrow it"
    for what, codes in (("sentinel", quantity.sentinels), ("label", quantity.labels)):
        for raw in codes:
            if width is not None and raw not in width:
                yield (
                    f"{name}, {what}: expected raw values of the field, {_ends(width)}, got {raw}; "
                    "write it as the field reads it, or widen the field"
                )
    for raw in quantity.sentinels:
        if raw in quantity.labels:
            yield f"{name}, sentinel: expected a fault code or a label, got both for raw {raw}; remove one"
        for bound in codec.bounds:
            if bound.field == path and not bound.low <= raw <= bound.high:
                yield (
                    f"{name}, sentinel: expected a fault code that the bound lets through, {bound.low} to "
                    f"{bound.high}, got {raw}: its payloads would be refused; widen the bound"
                )


def _ages(codec: Codec, group: SampleGroup, fields: Fields, possible: Possible) -> Iterator[str]:
    """Say what is wrong with the ages that a group's samples can have."""
    if group.repeat is None or group.age_interval is None:
        return
    minutes = possible.values(group.age_interval)
    if minutes is None or not all(isinstance(value, int) for value in (minutes if len(minutes) < 1 << 16 else ())):
        yield f"age_interval: expected a field of whole minutes, got {group.age_interval!r}; cite a whole number"
        return
    if min(minutes, default=0) < 0:
        yield (
            f"age_interval: expected minutes of 0 or more, got {group.age_interval!r}, which can be {min(minutes)}; "
            "make it unsigned, or bound it"
        )
        return
    oldest = (_most_elements(group.repeat, fields, possible) - 1) * max(minutes, default=0)
    if oldest > codec.longest_age_minutes:
        yield (
            f"longest_age_minutes: expected at least {oldest}, the age of the last of {group.repeat!r} at the longest "
            f"{group.age_interval!r}, got {codec.longest_age_minutes}; raise it, or bound the count and the interval"
        )


def _most_elements(path: str, fields: Fields, possible: Possible) -> int:
    """Return how many elements a list can have in a payload that LoRaWAN carries; at least 1."""
    most = 1
    for spot in fields.spots:
        if spot.path != path or type(spot.node) not in (c.Array, c.GreedyRange):
            continue
        size = fields.smallest(spot.node.subcon)
        fitting = LONGEST_PAYLOAD // size if size else LONGEST_PAYLOAD
        counts = possible.of(spot.node.count, spot) if type(spot.node) is c.Array else None
        most = max(most, fitting if counts is None else min(fitting, int(max(counts, default=0))))
    return most


def _ends(width: range) -> str:
    return f"{width.start} to {width.stop - 1}"
