"""A codec's byte and bit table, from its declaration alone: what documentation, drawing and scripts show.

Bits count from 7, the most significant of a byte, down to 0, as a byte is printed from left to right.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from loamline_codecs.declaration import Codec, Quantity, SampleGroup
from loamline_codecs.layout_parts import Block, Item, Part, Piece, Place
from loamline_codecs.layout_walk import walk
from loamline_codecs.quantities import FLAGS

#: How bits are counted; printed beside every table and drawing.
CONVENTION = "Bytes count from 0; bits from 7, the most significant of a byte, down to 0."


@dataclass(frozen=True)
class Row:
    """One line of the table, in words; empty where there is nothing to say.

    `byte`: "4-5", "9+3k .. 10+3k" in repeated elements, "in depths[k]: 4-5" or "after depths: 0-1" where it depends
    on the payload. `bit`: "7-4" in one byte, "7 of the first to 4 of the last" over several; empty for whole bytes.
    `raw`: the raw values that are read. `meaning`: sentences. `part`: what they were made of.
    """

    byte: str
    bit: str
    field: str
    wire: str
    raw: str
    meaning: tuple[str, ...]
    part: Part | Block


def table(codec: Codec) -> tuple[Row, ...]:
    """Return the table of a codec, in the payload's order; a repeated section has a line before its elements."""
    return tuple(_rows(walk(codec.layout), Meanings(codec)))


def _rows(items: tuple[Item, ...], meanings: Meanings) -> Iterator[Row]:
    for item in items:
        if isinstance(item, Block):
            if item.kind == "repeat":
                start = _from(item.place)
                told = meanings.of_repeat(item)
                yield Row(start, "", item.path, "", "", (*told, *only_where(item.conditions)), item)
            yield from _rows(item.items, meanings)
        else:
            wire = item.wire.words if item.wire else ""
            if item.size and item.kind in ("field", "reserved"):
                wire = f"{wire}, {item.size}" if wire else item.size
            if item.kind == "reserved":
                wire = wire or f"{item.bits} bit{'' if item.bits == 1 else 's'}"
            sentences = (*meanings.of(item), *only_where(item.conditions))
            yield Row(
                bytes_of(item),
                bits_of(item),
                item.path if item.named else "",
                wire,
                meanings.raw(item),
                sentences,
                item,
            )


def only_where(conditions: tuple[str, ...]) -> tuple[str, ...]:
    """Return the sentence that says when a part is there."""
    return (f"only where {' and '.join(conditions)}",) if conditions else ()


# Places ----------------------------------------------------------------------------------------------


def bytes_of(part: Part) -> str:
    """Return the bytes that a part stands in, in words; a part torn apart has several, the most significant first."""
    if not part.pieces:
        return "" if part.kind in ("computed", "check") else _from(part.place)
    spans = list(dict.fromkeys((bit // 8, (bit + bits - 1) // 8) for bit, bits in part.pieces))
    return _anchored(part.place, ", ".join(byte_span(first, last, part.place) for first, last in spans))


def byte_span(first: int, last: int, place: Place) -> str:
    """Return a run of bytes: "4-5", or "9+3k .. 10+3k" among repeated elements."""
    if not place.strides:
        return str(first) if first == last else f"{first}-{last}"
    steps = "".join(f"+{'' if bits == 8 else bits // 8}{letter}" for bits, letter in place.strides)
    return f"{first}{steps}" if first == last else f"{first}{steps} .. {last}{steps}"


def bits_of(part: Part) -> str:
    """Return the bits within those bytes; empty where they are whole."""
    if not part.pieces or part.whole_bytes:
        return ""
    return ", ".join(_bits(piece) for piece in part.pieces)


def spans(first_bit: int, bits: int) -> tuple[str, str]:
    """Return the bytes and the bits of a payload's field as a layout tells them; no bits where the bytes are whole."""
    last_bit = first_bit + bits - 1
    whole = first_bit % 8 == 0 and bits % 8 == 0
    return byte_span(first_bit // 8, last_bit // 8, Place()), "" if whole else _bits((first_bit, bits))


def _bits(piece: Piece) -> str:
    first, last = piece[0], sum(piece) - 1
    high, low = 7 - first % 8, 7 - last % 8
    if first // 8 != last // 8:
        return f"{high} of the first to {low} of the last"
    return str(high) if high == low else f"{high}-{low}"


def _from(place: Place) -> str:
    return _anchored(place, f"from {byte_span(place.bit // 8, place.bit // 8, place)}")


def _anchored(place: Place, where: str) -> str:
    return f"{place.anchor}: {where}" if place.anchor else where


# Meanings --------------------------------------------------------------------------------------------


class Meanings:
    """What a codec's declaration says about the parts of its layout, in sentences."""

    def __init__(self, codec: Codec) -> None:
        self._bounds = {bound.field: (bound.low, bound.high) for bound in codec.bounds}
        self._groups: dict[str, list[SampleGroup]] = {}
        for group in codec.samples:
            if group.repeat:
                self._groups.setdefault(group.repeat, []).append(group)
        self._quantities: dict[str, list[tuple[Quantity, list[int]]]] = {}
        for quantity in codec.quantities:
            self._add(quantity.field, quantity, None)
        for group in codec.samples:
            inside = f"{group.repeat}." if group.repeat else ""
            told = group.repeat and (len(self._groups[group.repeat]) == 1 or group.depth_index is None)  # by the array
            for quantity in group.quantities:
                self._add(inside + quantity.field, quantity, None if told else group.depth_index or 0)
        self._decides = _decided(walk(codec.layout))

    def _add(self, key: str, quantity: Quantity, depth_index: int | None) -> None:
        known = self._quantities.setdefault(key, [])
        depths = next((depths for one, depths in known if one == quantity), None)
        if depths is None:
            known.append((quantity, depths := []))
        depths += [] if depth_index is None else [depth_index]

    def quantities(self, part: Part) -> list[Quantity]:
        """Return the quantities that a part is mapped to."""
        return [] if part.kind == "reserved" else [quantity for quantity, _ in self._quantities.get(part.key, ())]

    def raw(self, part: Part) -> str:
        """Return the raw values that a part may hold, in words."""
        if part.kind == "constant":
            return f"{part.constant}"
        span = self._bounds.get(part.key) or (part.wire.raw_range if part.wire else None)
        if span is None or part.kind != "field":
            return ""
        return f"{span[0]} or {span[1]}" if span[1] - span[0] == 1 else f"{span[0]} to {span[1]}"

    def of(self, part: Part) -> tuple[str, ...]:
        """Return what a part means, sentence by sentence."""
        if part.kind == "reserved":
            return ("reserved: 0 when built, ignored when read",)
        if part.kind == "check":
            return (f"refused unless {part.size}",)
        told: list[str] = []
        if part.kind == "constant":
            told.append(f"always {part.constant} (any other value is refused)")
        if part.kind == "computed":
            told.append(f"takes no bytes: {part.size}")
        for quantity, depths in self._quantities.get(part.key, ()):
            told += _quantity(quantity, depths, part.bits)
        told += [f"labels: {_listed(part.labels)}"] if part.labels else []
        told += self._decides.get(part.key, [])
        if part.key in self._bounds:
            low, high = self._bounds[part.key]
            told.append(f"{low} to {high} (any other value is refused)")
        return tuple(told)

    def of_repeat(self, block: Block) -> tuple[str, ...]:
        """Return what a repeated section means."""
        count = f"{block.words}, {block.letter} counts from 0"
        by_age: dict[str | None, list[str]] = {}
        for group in self._groups.get(block.key, ()):
            depth = block.letter if group.depth_index is None else str(group.depth_index)
            by_age.setdefault(group.age_interval, []).append(depth)
        return (count, *(_sample(depths, age, block.letter) for age, depths in by_age.items()))


def _sample(depths: list[str], age_interval: str | None, letter: str) -> str:
    age = f", {letter} times {age_interval} minutes older than the uplink" if age_interval else ""
    return f"each is a sample at {_at_depths(depths)}{age}"


def _at_depths(depths: list[str]) -> str:
    """Return depths in words: "depth 0", "depths 0 and 1", "depths 0, 1 and 2"."""
    *others, last = depths
    return f"depths {', '.join(others)} and {last}" if others else f"depth {last}"


def equation(quantity: Quantity) -> str:
    """Return how a raw value becomes a figure: "raw x 0.01 + 2.00, in V"."""
    told = "raw" if quantity.scale == "1" else f"raw x {quantity.scale}"
    if quantity.offset.startswith("-"):
        told += f" - {quantity.offset[1:]}"
    elif float(quantity.offset):
        told += f" + {quantity.offset}"
    return told if quantity.unit == "1" else f"{told}, in {quantity.unit}"


def _quantity(quantity: Quantity, depths: list[int], bits: int) -> Iterator[str]:
    where = f" at {_at_depths([str(depth) for depth in depths])}" if depths else ""
    if quantity.name in FLAGS:
        yield f"{quantity.name}{where}: 1 yes, 0 no"
    else:
        yield f"{quantity.name}{where} = {equation(quantity)}"
    for raw, sentence in quantity.sentinels.items():
        told = f" (0x{raw & (1 << bits) - 1:X})" if bits and not 0 <= raw <= 9 else ""
        yield f"{raw}{told}: {sentence}"
    if quantity.valid:
        low, high = quantity.valid
        yield f"valid are {low} to {high} (any other figure is kept and fails the range check)"
    if quantity.labels:
        yield f"labels: {_listed(tuple(quantity.labels.items()))} (others are kept as numbers)"


def _listed(labels: tuple[tuple[int, str], ...]) -> str:
    return ", ".join(f"{raw} {label}" for raw, label in sorted(labels))


def _decided(items: tuple[Item, ...]) -> dict[str, list[str]]:
    """Return, for every field that a count, a condition or a length cites, the sentences that say what it decides."""
    told: dict[str, dict[str, None]] = {}
    keys = {part.key for part in parts(items)} - {""}

    def cite(words: str, sentence: str) -> None:
        for key in keys:
            if re.search(rf"(?<![\w.]){re.escape(key)}(?![\w.])", re.sub(r"\[\w+\]", "", words)):
                told.setdefault(key, {})[sentence] = None

    for item in _all(items):
        if isinstance(item, Block) and item.kind == "repeat":
            cite(item.words, f"decides how many {item.path} there are")
        elif isinstance(item, Block):
            named = item.path or next((part.path for part in parts(item.items) if part.path), "a section")
            what = f"whether {named} is there" if item.kind == "choice" else f"what {named} is"
            cite(item.words, f"decides {what}")
        elif item.size:
            cite(item.size, f"decides how long {item.path} is" if item.kind in ("field", "reserved") else "")
        elif item.wire and item.wire.order not in ("big", "little"):
            cite(item.wire.order, f"decides the byte order of {item.path}")
    return {key: [sentence for sentence in sentences if sentence] for key, sentences in told.items()}


def parts(items: tuple[Item, ...]) -> Iterator[Part]:
    """Yield the parts of a layout, those inside blocks too."""
    yield from (item for item in _all(items) if isinstance(item, Part))


def _all(items: tuple[Item, ...]) -> Iterator[Item]:
    for item in items:
        yield item
        if isinstance(item, Block):
            yield from _all(item.items)
