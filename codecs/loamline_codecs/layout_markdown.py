"""A codec's documentation as Markdown: what it reads, how long it is, and its byte and bit table."""

from __future__ import annotations

import re

from loamline_codecs.declaration import Codec, Match
from loamline_codecs.layout_table import CONVENTION, Row, table
from loamline_codecs.lengths import length_in_words

_HEADINGS = ("byte", "bit", "field", "wire type", "raw values", "meaning")


def as_markdown(codec: Codec) -> str:
    """Return a codec's section: headline, description, match rule, length, digest, table."""
    lines = [f"## {codec.name}", "", codec.description, ""]
    lines += [f"- reads: {match_in_words(codec.match)}; a {codec.message}"]
    lines += [f"- length: {length_in_words(codec)}", f"- digest: `{codec.digest}`"]
    if codec.row_by_row:
        lines.append("- read row by row: every payload takes construct's own time")
    lines += ["", CONVENTION, "", _line(_HEADINGS), _line(tuple("---" for _ in _HEADINGS))]
    lines += [_line(_cells(row)) for row in table(codec)]
    return "\n".join(lines) + "\n"


def match_in_words(match: Match) -> str:
    """Return which messages a rule matches: "FPort 10, byte 0 = 0x20..0x2F"."""
    return f"FPort {match.fport}, {first_byte_in_words(match)}"


def first_byte_in_words(match: Match) -> str:
    """Return which values of byte 0 a rule matches: "byte 0 = 0x20..0x2F"."""
    low, high = match.first_bytes[0], match.first_bytes[-1]
    return f"byte 0 = 0x{low:02X}" if low == high else f"byte 0 = 0x{low:02X}..0x{high:02X}"


def _cells(row: Row) -> tuple[str, ...]:
    return row.byte, row.bit, f"`{row.field}`" if row.field else "", row.wire, row.raw, "; ".join(row.meaning)


def _line(cells: tuple[str, ...]) -> str:
    return " ".join(["|", *(f"{_escaped(cell)} |" if cell else "|" for cell in cells)])


def _escaped(text: str) -> str:
    """Return text in which Markdown finds no marks, code spans aside."""
    pieces = re.split(r"(`[^`]*`)", text)
    return "".join(
        (piece if place % 2 else re.sub(r"([\\*<]|\b_|_\b)", r"\\\1", piece)).replace("|", r"\|")
        for place, piece in enumerate(pieces)
    )
