"""A codec's layout drawn as SVG: four bytes a line, fields to scale, repeats framed, conditions and filling striped.

A field too narrow for its name carries a number, which the line under it explains.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby

from loamline_codecs.declaration import Codec
from loamline_codecs.layout_lines import Segment, fitted, lines_of, run_of, short_name
from loamline_codecs.layout_markdown import match_in_words
from loamline_codecs.layout_parts import Block, Item, Part
from loamline_codecs.layout_svg import Sheet, width_of, wrapped
from loamline_codecs.layout_table import CONVENTION, Meanings, byte_span, bytes_of, equation, table
from loamline_codecs.layout_walk import walk
from loamline_codecs.lengths import length_in_words
from loamline_codecs.quantities import FLAGS

_BIT, _LINE_BYTES, _BOX = 24, 4, 64
_WIDE = _BIT * 8 * _LINE_BYTES
_MARGIN, _INSET = 20, 14
_NAME, _SMALL, _TINY = 11.5, 10.5, 8.5


def as_svg(codec: Codec) -> str:
    """Return the drawing as an SVG document: text, the same for the same declaration."""
    items = walk(codec.layout)
    return _Drawing(codec, items).svg()


class _Drawing:
    def __init__(self, codec: Codec, items: tuple[Item, ...]) -> None:
        self.codec, self.items = codec, items
        self.meanings = Meanings(codec)
        self.deepest = _depth(items)
        self.left = _MARGIN + _INSET * self.deepest
        self.sheet = Sheet(re.sub(r"\W+", "-", f"layout-{codec.name}"), _WIDE + 2 * self.left)
        self.numbers: dict[str, int] = {}

    def svg(self) -> str:
        self._heading()
        self._draw(self.items, 0, "")
        self._footing()
        title = f"Layout of {self.codec.name}"
        return self.sheet.svg(title, _description(self.codec))

    def _heading(self) -> None:
        sheet, x = self.sheet, self.left
        sheet.y = _MARGIN + 14
        sheet.text(x, sheet.y, self.codec.name, 17, "strong")
        sheet.y += 3
        self._paragraph(self.codec.description, 11.5, "")
        self._paragraph(f"{match_in_words(self.codec.match)}. {length_in_words(self.codec)}.", 11.5, "soft")
        sheet.y += 14

    def _paragraph(self, text: str, size: float, classes: str) -> None:
        for line in wrapped(text, size, _WIDE):
            self.sheet.y += size + 5
            self.sheet.text(self.left, self.sheet.y, line, size, classes)

    def _footing(self) -> None:
        told = [CONVENTION]
        told += ["Dashed frame: repeated."] if _has(self.items, "repeat") else []
        told += ["Striped edge: there only where it says so."] if _has(self.items, "choice", "case") else []
        reserved = any(part.kind == "reserved" for part in _parts(self.items))
        told += ["Striped field: reserved, ignored when read."] if reserved else []
        for part in _parts(self.items):
            if part.kind in ("computed", "check"):
                meaning = self.meanings.of(part)[0]
                told.append(f"{part.path} {meaning}." if part.kind == "computed" else f"{meaning.capitalize()}.")
        self.sheet.y += 2
        for sentence in (told[0], " ".join(told[1:])):
            self._paragraph(sentence, _SMALL, "soft")
        self.sheet.y += _MARGIN

    # Blocks and runs ---------------------------------------------------------------------------------

    def _draw(self, items: tuple[Item, ...], depth: int, within: str) -> None:
        visible = [item for item in items if isinstance(item, Block) or item.pieces or item.kind in _DRAWN]
        for (kind, _, _), group in groupby(visible, key=run_of):
            if kind == "block":
                for block in group:
                    self._block(block, depth, within) if isinstance(block, Block) else None
            else:
                parts = [part for part in group if isinstance(part, Part)]
                if "after " in parts[0].place.anchor:
                    self._anchor(parts[0].place.anchor)
                self._broken(parts[0], within) if kind == "broken" else self._lines(parts, within)

    def _anchor(self, anchor: str) -> None:
        self.sheet.y += 10
        end = anchor.rpartition("after ")[2]
        self.sheet.text(self.left + 1, self.sheet.y, f"counted from the end of {end}:", _SMALL, "soft")
        self.sheet.y += 3

    def _block(self, block: Block, depth: int, within: str) -> None:
        sheet, out = self.sheet, _INSET * (self.deepest - depth)
        top, place = sheet.y, len(sheet.drawn)
        x, width = self.left - out, _WIDE + 2 * out
        label = _label(block, within)
        lines = wrapped(label, _SMALL, width - 24)
        for line in lines:
            sheet.y += 15
            sheet.text(x + 14, sheet.y, line, _SMALL, "strong")
        sheet.y += 8
        inside = f"{block.path}[{block.letter}]" if block.kind == "repeat" else within
        self._draw(block.items, depth + 1, inside)
        height = sheet.y - top
        behind = Sheet(sheet.name, sheet.width)
        if block.kind == "repeat":
            behind.rect(x, top, width, height, "tab", ' rx="4"')
            behind.rect(x, top, width, height, "frame", ' rx="4" stroke-dasharray="5 4"')
        else:
            behind.rect(x, top, width, height, "tab")
            behind.striped(x, top, 9, height, "rising")
            behind.rect(x, top, width, height, "frame")
        sheet.insert(place, behind.drawn)
        sheet.y += 10

    def _lines(self, parts: list[Part], within: str) -> None:
        """Draw fields that follow each other, four bytes a line."""
        for start, stop, segments in lines_of(parts, 8 * _LINE_BYTES):
            self._ruler(segments, start, stop)
            notes = [
                note
                for segment in segments
                for note in self._field(segment, self.left + (segment.first - start) * _BIT, within)
            ]
            self.sheet.y += _BOX
            self._notes(list(dict.fromkeys(notes)))
            self.sheet.y += 10

    def _ruler(self, segments: list[Segment], start: int, stop: int) -> None:
        """Number the bytes of a line, and the bits of those that hold more than one field."""
        sheet, place = self.sheet, segments[0].part.place
        split = {bit // 8 for one in segments for bit in _borders(one) if bit % 8}
        sheet.y += 13
        for byte in range(start // 8, stop // 8):
            x = self.left + (8 * byte - start) * _BIT
            sheet.text(x + 1, sheet.y - 2, byte_span(byte, byte, place), _SMALL, "mono soft")
            for count in range(8) if byte in split else ():
                sheet.text(x + (count + 0.5) * _BIT, sheet.y + 9, str(7 - count), _TINY, "mono soft", "middle")
        sheet.y += 13 if split else 3

    def _field(self, segment: Segment, x: float, within: str) -> list[str]:
        """Draw one segment; return what has to be said under the line."""
        sheet, part, top = self.sheet, segment.part, self.sheet.y
        width = segment.bits * _BIT
        sheet.rect(x, top, width, _BOX, "box")
        if part.kind == "reserved":
            sheet.striped(x, top, width, _BOX, "falling")
        for bit in range(segment.first // 8 * 8 + 8, segment.first + segment.bits, 8):
            at = x + (bit - segment.first) * _BIT
            sheet.line(at, top, at, top + 4, "edge")
        for edge in (top, top + _BOX):
            sheet.line(x, edge, x + width, edge, "edge")
        for at, is_open in zip((x, x + width), segment.open_ends, strict=True):
            sheet.line(at, top, at, top + _BOX, "tick" if is_open else "edge")
        return self._words(segment, x + width / 2, width - 6, within)

    def _words(self, segment: Segment, middle: float, room: float, within: str) -> list[str]:
        part = segment.part
        name = short_name(part, within)
        lines = fitted(name, _NAME, room)
        if not lines and part.kind == "reserved":
            return []
        if not lines:
            number = self.numbers.setdefault(part.path, len(self.numbers) + 1)
            self.sheet.text(middle, self.sheet.y + _BOX / 2 + 4, str(number), _NAME, "mono strong", "middle")
            return [f"{number} {name}"]
        below = [] if part.kind == "reserved" else self._below(segment, room)
        y = self.sheet.y + _BOX / 2 + 4 - 6.5 * (len(lines) + len(below) - 1)
        if part.kind == "reserved":
            wide = width_of(name, _NAME, mono=True)
            self.sheet.rect(middle - wide / 2 - 3, y - 11, wide + 6, 15, "tab")
        strong = "mono strong" if part.kind != "reserved" and segment.widest else "mono"
        for line in lines:
            self.sheet.text(middle, y, line, _NAME, strong, "middle")
            y += 13
        for line in below:
            self.sheet.text(middle, y, line, _SMALL, "soft", "middle")
            y += 13
        return []

    def _below(self, segment: Segment, room: float) -> list[str]:
        """Return what stands under a field's name, as far as there is room: its type, and what a raw value is."""
        part = segment.part
        wire = part.wire.words if part.wire else ""
        bits = f"{part.bits} bit{'' if part.bits == 1 else 's'}"
        share = "its bits {} to {}".format(*segment.value_bits) if segment.value_bits else ""
        quantities = self.meanings.quantities(part)
        told = f"always {part.constant}" if part.kind == "constant" else ""
        if quantities and quantities[0].name not in FLAGS and equation(quantities[0]) != "raw":
            told = equation(quantities[0])
        told = told if segment.widest else ""
        kind = next((one for one in (wire, bits) if segment.widest and width_of(one, _SMALL) <= room), "")
        return [line for line in (kind, share, told) if line and width_of(line, _SMALL) <= room]

    def _notes(self, notes: list[str]) -> None:
        """Write the names of numbered fields under their line."""
        x: float = self.left
        for place, note in enumerate(notes):
            wide = width_of(note, _SMALL, mono=True) + 14
            if place == 0 or x + wide > self.left + _WIDE:
                self.sheet.y += 15
                x = self.left
            self.sheet.text(x, self.sheet.y, note, _SMALL, "mono")
            x += wide

    def _broken(self, part: Part, within: str) -> None:
        """Draw a field that is long, or as long as the payload says, as one line with a break in it."""
        sheet = self.sheet
        sheet.y += 13
        sheet.text(self.left + 1, sheet.y - 2, bytes_of(part).rpartition(": ")[2], _SMALL, "mono soft")
        sheet.y += 3
        top, middle, gap = sheet.y, self.left + _WIDE * 0.4, self.left + _WIDE * 0.8
        sheet.rect(self.left, top, _WIDE, _BOX, "box")
        if part.kind == "reserved":
            sheet.striped(self.left, top, _WIDE, _BOX, "falling")
        sheet.rect(self.left, top, _WIDE, _BOX, "edge")
        for x in (gap, gap + 8):
            sheet.line(x - 5, top + _BOX + 5, x + 5, top - 5, "edge")
        size = part.size or f"{part.bits // 8} bytes"
        words = ", ".join(word for word in (part.wire.words if part.wire else "", size) if word)
        name = short_name(part, within)
        wide = max(width_of(name, _NAME, mono=True), width_of(words, _SMALL)) + 10
        sheet.rect(middle - wide / 2, top + _BOX / 2 - 15, wide, 32, "tab")
        sheet.text(
            middle, top + _BOX / 2 - 2, name, _NAME, "mono" if part.kind == "reserved" else "mono strong", "middle"
        )
        sheet.text(middle, top + _BOX / 2 + 12, words, _SMALL, "soft", "middle")
        sheet.y = top + _BOX + 10


def _borders(segment: Segment) -> tuple[int, int]:
    return segment.first, segment.first + segment.bits


_DRAWN = ("field", "constant", "reserved")


def _label(block: Block, within: str) -> str:
    if block.kind == "repeat":
        path = block.path.removeprefix(f"{within}.") if within else block.path
        own = next((part.place for part in _parts(block.items)), block.place).anchor.startswith(f"in {block.path}[")
        counted = ", bytes counted within each" if own else ""
        return f"{path}[{block.letter}]: {block.words}, {block.letter} counts from 0{counted}"
    path = block.path.removeprefix(f"{within}.") if within else block.path
    return f"{path} {'only ' if block.kind == 'choice' else ''}where {block.words}".strip()


def _depth(items: tuple[Item, ...]) -> int:
    return max((1 + _depth(item.items) for item in items if isinstance(item, Block)), default=0)


def _has(items: tuple[Item, ...], *kinds: str) -> bool:
    return any(isinstance(item, Block) and (item.kind in kinds or _has(item.items, *kinds)) for item in items)


def _parts(items: tuple[Item, ...]) -> Iterator[Part]:
    for item in items:
        yield from _parts(item.items) if isinstance(item, Block) else (item,)


def _description(codec: Codec) -> str:
    told = [f"{codec.description} {match_in_words(codec.match)}. {length_in_words(codec)}. {CONVENTION}"]
    for row in table(codec):
        where = f"byte {row.byte}" + (f", bit {row.bit}" if row.bit else "") if row.byte else "no bytes"
        told.append(": ".join([where, ", ".join(word for word in (row.field, row.wire, *row.meaning) if word)]))
    return "\n".join(told)
