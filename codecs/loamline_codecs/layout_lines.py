"""How a layout is cut into the lines of a drawing: runs of neighbours, four bytes a line, names that fit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from loamline_codecs.layout_parts import Block, Item, Part
from loamline_codecs.layout_svg import width_of

#: A field of more bytes is drawn as one line with a break.
MOST_BYTES = 8


@dataclass(frozen=True)
class Segment:
    """The bits of a part that stand on one line of the drawing.

    `value_bits`: which bits of the part's value these are, the highest first, where they are not all. `widest`:
    whether the part has no larger segment before or after this one. `open_ends`: whether the part goes on over
    the line's (left, right) end.
    """

    part: Part
    first: int
    bits: int
    value_bits: tuple[int, int] | None = None
    widest: bool = True
    open_ends: tuple[bool, bool] = (False, False)


def run_of(item: Item) -> tuple[str, object, object]:
    """Return what tells runs apart: fields counted from the same place, each long field, each block."""
    if isinstance(item, Block):
        return "block", id(item), 0
    if not item.pieces or item.bits > 8 * MOST_BYTES:
        return "broken", id(item), 0
    return "fields", item.place.anchor, item.place.strides


def lines_of(parts: list[Part], line_bits: int) -> Iterator[tuple[int, int, list[Segment]]]:
    """Yield the lines of a run: first bit, the bit behind its last byte, and its segments."""
    ends = [bit for part in parts for first, bits in part.pieces for bit in (first, first + bits)]
    base, end = min(ends) // 8 * 8, -(-max(ends) // 8) * 8
    cuts = [(start, min(end, start + line_bits)) for start in range(base, end, line_bits)]
    segments = [segment for part in parts for segment in _segments(part, cuts)]
    for start, stop in cuts:
        yield start, stop, [one for one in segments if start <= one.first < stop]


def _segments(part: Part, cuts: list[tuple[int, int]]) -> list[Segment]:
    found = []
    left = part.bits
    for first, bits in part.pieces:
        for start, stop in cuts:
            low, high = max(first, start), min(first + bits, stop)
            if low < high:
                value_bits = (left - 1, left - (high - low))
                found.append(Segment(part, low, high - low, value_bits, open_ends=(low > first, high < first + bits)))
                left -= high - low
    widest = max(found, key=lambda segment: segment.bits)
    ordered = part.wire is not None and part.wire.order in ("big", "") and not part.wire.mirrored
    return [
        Segment(
            part,
            one.first,
            one.bits,
            one.value_bits if len(found) > 1 and ordered else None,
            one is widest,
            one.open_ends,
        )
        for one in found
    ]


def short_name(part: Part, within: str) -> str:
    """Return a part's name inside the frame of `within`."""
    if part.kind == "reserved":
        return "reserved"
    if part.path == within:
        return part.path.rpartition(".")[2]
    return (part.path.removeprefix(f"{within}.") if within else part.path) or "(no name)"


def fitted(name: str, size: float, room: float) -> list[str]:
    """Return a name as the one or two lines that fit, its last word alone where the whole doesn't; else none."""
    for text in dict.fromkeys((name, name.rpartition(".")[2])):
        if width_of(text, size, mono=True) <= room:
            return [text]
        cuts = [match.end() for match in re.finditer(r"[._]", text)]
        for cut in sorted(cuts, key=lambda at: abs(2 * at - len(text))):
            if max(width_of(half, size, mono=True) for half in (text[:cut], text[cut:])) <= room:
                return [text[:cut], text[cut:]]
    return []
