"""The drawing of a layout: well-formed, complete, inside its sheet, and the same every time."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import construct as c
import pytest
from construct import this
from hypothesis import given, settings

from loamline_codecs import BUILT_IN, Codec, Match, Quantity
from loamline_codecs.layout_drawing import as_svg
from loamline_codecs.layout_svg import width_of
from loamline_codecs.layout_table import table
from tests.codecs.declarations import declarations

_SVG = "{http://www.w3.org/2000/svg}"

#: A probe with everything that is drawn: a switch, a condition, repeats in repeats, swapped bits, long filling.
_INVENTED = Codec(
    "bench-v9",
    "Every kind of section; <&> in words.",
    "measurement",
    Match(7, 4, 9),
    c.Struct(
        "head"
        / c.BitStruct(
            "payload_version" / c.Const(9, c.Nibble), c.Padding(1), "extended" / c.Flag, "kind" / c.BitsInteger(2)
        ),
        "supply" / c.Int16ul,
        "packed" / c.ByteSwapped(c.BitStruct("moisture" / c.BitsInteger(12), "t" / c.BitsInteger(11), c.Padding(1))),
        "extra" / c.If(this.head.extended, c.Struct("conductivity" / c.Int16ul, c.Padding(12))),
        "payload"
        / c.Switch(
            this.head.kind,
            {
                0: c.Int16ub,
                1: c.Struct(
                    "depths" / c.Int8ub,
                    "profile"
                    / c.Array(
                        this.depths,
                        c.Struct("n" / c.Int8ub, "bins" / c.Array(3, c.Int16ul), "ok" / c.If(this.n > 3, c.Int8ub)),
                    ),
                ),
            },
            default=c.Int24ub,
        ),
        c.Check(this.supply > 0),
        "twice" / c.Computed(this.supply * 2),
        "long" / c.BytesInteger(this.head.kind),
        "tail" / c.GreedyRange(c.Struct("f" / c.Float32l)),
    ),
    (Quantity("supply_v", "supply", "V", scale="0.001"),),
)


def _drawn(codec: Codec) -> ET.Element:
    return ET.fromstring(as_svg(codec))  # noqa: S314 - our own text


def _texts(drawing: ET.Element) -> list[ET.Element]:
    return list(drawing.iter(f"{_SVG}text"))


def _span(text: ET.Element) -> tuple[float, float]:
    """Return from where to where a text goes, by the same estimate of letters that it was placed with."""
    x, size = float(text.attrib["x"]), float(text.attrib["font-size"])
    wide = width_of(text.text or "", size, mono="mono" in text.get("class", ""))
    left = {"start": x, "middle": x - wide / 2, "end": x - wide}[text.attrib["text-anchor"]]
    return left, left + wide


def _problems(codec: Codec) -> list[str]:
    """Return the texts that stand outside the sheet or on each other."""
    drawing = _drawn(codec)
    _, _, width, height = (float(number) for number in drawing.attrib["viewBox"].split())
    found, lines = [], dict[float, list[tuple[float, float, str]]]()
    for text in _texts(drawing):
        left, right = _span(text)
        y = float(text.attrib["y"])
        if left < 0 or right > width or y > height or y < float(text.attrib["font-size"]):
            found.append(f"outside: {text.text}")
        lines.setdefault(y, []).append((left, right, text.text or ""))
    for line in lines.values():
        found += [f"on each other: {one[2]}, {other[2]}" for one, other in pairwise(sorted(line)) if one[1] > other[0]]
    return found


_ALL = pytest.mark.parametrize("codec", [*BUILT_IN, _INVENTED], ids=lambda codec: codec.name)


@_ALL
def test_no_text_stands_outside_the_sheet_or_on_another(codec: Codec) -> None:
    assert _problems(codec) == []


@_ALL
def test_every_field_is_named_where_it_is_drawn_or_in_the_line_under_it(codec: Codec) -> None:
    """Names may be broken over two lines, and inside a frame do without the frame's own name."""
    letters = "".join(text.text or "" for text in _texts(_drawn(codec))).replace(" ", "")
    for row in table(codec):
        if row.field and "reserved" not in row.meaning[:1]:
            assert row.field.rpartition(".")[2] in letters, row.field


@_ALL
def test_a_screen_reader_is_told_every_row(codec: Codec) -> None:
    drawing = _drawn(codec)
    assert drawing.attrib["role"] == "img"
    title, description = drawing.find(f"{_SVG}title"), drawing.find(f"{_SVG}desc")
    assert title is not None
    assert description is not None
    assert drawing.attrib["aria-labelledby"].split() == [title.attrib["id"], description.attrib["id"]]
    assert codec.name in (title.text or "")
    for row in table(codec):
        assert row.field in (description.text or "")
        assert row.byte in (description.text or "")


@_ALL
def test_a_drawing_is_the_same_every_time_and_needs_nothing_from_elsewhere(codec: Codec) -> None:
    svg = as_svg(codec)
    assert svg == as_svg(codec)
    assert "prefers-color-scheme:dark" in svg
    assert re.findall(r"https?://[^\"]+", svg) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"@import|@font-face|href|<script|<image", svg)


def test_a_field_is_as_wide_as_its_bits() -> None:
    boxes = [float(box.attrib["width"]) for box in _drawn(BUILT_IN[1]).iter(f"{_SVG}rect") if box.get("class") == "box"]
    bit = boxes[1]
    assert [round(width / bit) for width in boxes] == [4, 1, 1, 1, 1, 12, 12, 11, 9, 4, 4, 4, 8]


def test_bits_of_a_byte_with_several_fields_are_numbered_from_7_to_0_over_the_byte() -> None:
    """Byte 6 of the first version holds supply and firmware; no other byte is shared."""
    texts = _texts(_drawn(BUILT_IN[0]))
    bits = [(text.text, float(text.attrib["x"])) for text in texts if text.attrib["font-size"] == "8.5"]
    start, end = (
        float(text.attrib["x"]) for text in texts if text.text in {"6", "7"} and text.get("font-size") != "8.5"
    )
    assert [told for told, _ in bits] == list("76543210")
    assert {right - left for (_, left), (_, right) in pairwise(bits)} == {(end - start) / 8}
    assert start < bits[0][1] < bits[-1][1] < end


def test_a_field_over_two_lines_is_open_where_it_is_broken_and_closed_elsewhere() -> None:
    """In the first version temperature and counter go from the end of one line to the start of the next."""
    strokes = [
        (path.get("class"), *map(float, re.findall(r"[\d.]+", path.attrib["d"])))
        for path in _drawn(BUILT_IN[0]).iter(f"{_SVG}path")
    ]
    upright = [(kind, x, y) for kind, x, y, to_x, to_y in strokes if x == to_x and to_y - y > 10]
    boxes = [box for box in _drawn(BUILT_IN[0]).iter(f"{_SVG}rect") if box.get("class") == "box"]
    left = min(float(box.attrib["x"]) for box in boxes)
    right = max(float(box.attrib["x"]) + float(box.attrib["width"]) for box in boxes)
    broken = [(x, y) for kind, x, y in upright if kind == "tick"]
    assert [x for x, _ in broken] == [right, left] * 2
    assert sorted(y for _, y in broken) == [y for _, y in broken]
    assert len(upright) == 2 * len(boxes)


def test_a_repeat_is_framed_in_dashes_once_and_says_how_often() -> None:
    drawing = _drawn(BUILT_IN[2])
    assert len([one for one in drawing.iter(f"{_SVG}rect") if one.get("stroke-dasharray")]) == 1
    assert "samples[k]: head.older_samples + 1 times, k counts from 0" in [text.text for text in _texts(drawing)]


def test_conditions_cases_and_filling_are_striped_and_said() -> None:
    svg = as_svg(_INVENTED)
    told = [text.text for text in _texts(_drawn(_INVENTED))]
    for label in (
        "extra only where head.extended",
        "payload where head.kind = 0",
        "payload where head.kind is none of 0, 1",
        "ok only where payload.profile[k].n > 3",
    ):
        assert label in told
    assert svg.count("url(#layout-bench-v9-rising)") == 5  # two conditions, three cases
    assert svg.count("url(#layout-bench-v9-falling)") == 3  # a bit in the head, one in the packed, twelve bytes


def test_words_of_a_declaration_are_words_in_the_drawing() -> None:
    assert "Every kind of section; <&> in words." in [text.text for text in _texts(_drawn(_INVENTED))]


@settings(max_examples=50)
@given(declarations())
def test_any_declaration_is_drawn_inside_its_sheet(codec: Codec) -> None:
    assert _problems(codec) == []
