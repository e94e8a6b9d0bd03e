"""The byte and bit table: made without a payload, and yet every payload's fields stand where it says."""

from __future__ import annotations

import random
import re

import construct as c
import pytest
from construct import this
from hypothesis import given
from hypothesis import strategies as st

from loamline_codecs import (
    BUILT_IN,
    Codec,
    CodecSet,
    Match,
    Quantity,
    SampleGroup,
    measurement_v1,
    measurement_v2,
    measurement_v3,
    measurement_v4,
    status_v1,
)
from loamline_codecs.declaration import Bound
from loamline_codecs.dissect import Dissection, Leaf, dissect
from loamline_codecs.layout_markdown import as_markdown
from loamline_codecs.layout_parts import Part
from loamline_codecs.layout_table import Row, table
from loamline_codecs.walkable import fixed_size
from tests.codecs.declarations import declarations
from tests.codecs.payloads import whole

_V1, _V2, _V3, _V4 = (one.CODEC for one in (measurement_v1, measurement_v2, measurement_v3, measurement_v4))
_STATUS = status_v1.CODEC


def _bench(layout: c.Construct, *quantities: Quantity, **more: object) -> Codec:
    return Codec("bench-v1", "A bench.", "measurement", Match(7, 0, 0), layout, quantities, **more)  # type: ignore[arg-type]


def _places(codec: Codec) -> list[tuple[str, str, str]]:
    return [(row.byte, row.bit, row.field) for row in table(codec)]


def _row(codec: Codec, field: str) -> Row:
    return next(row for row in table(codec) if row.field == field)


# --- the built-in family, against its data sheet -------------------------------------------------------


def test_bit_fields_are_placed_within_their_bytes_the_most_significant_bit_being_7() -> None:
    """The data sheet's version 2 counts bits over the whole payload: 8-19 are bytes 1 and 2, down to bit 4."""
    assert _places(_V2)[:7] == [
        ("0", "7-4", "payload_version"),
        ("0", "3", "tilted"),
        ("0", "2", "cold_start"),
        ("0", "1", "supply_low"),
        ("0", "0", "reserved"),
        ("1-2", "7 of the first to 4 of the last", "moisture_count_0"),
        ("2-3", "3 of the first to 0 of the last", "moisture_count_1"),
    ]


def test_elements_of_one_length_are_placed_by_their_index() -> None:
    """The data sheet's 9 + 3k and 11 + 3k."""
    assert _places(_V3)[-3:] == [
        ("from 9", "", "samples"),
        ("9+3k .. 10+3k", "", "samples[k].moisture_count"),
        ("11+3k", "", "samples[k].soil_temperature"),
    ]
    assert _row(_V3, "samples").meaning == (
        "head.older_samples + 1 times, k counts from 0",
        "each is a sample at depth 0, k times interval minutes older than the uplink",
    )


def test_elements_whose_length_the_payload_decides_are_counted_each_from_its_own_start() -> None:
    assert _places(_V4)[-4:] == [
        ("from 8", "", "depths"),
        ("in depths[k]: 0-1", "", "depths[k].permittivity"),
        ("in depths[k]: 2-3", "", "depths[k].soil_temperature"),
        ("in depths[k]: 4-5", "", "depths[k].conductivity"),
    ]


def test_depths_that_share_an_array_are_each_told_at_their_own_field() -> None:
    element = c.Struct("upper" / c.Int8ub, "lower" / c.Int8ub, "warmth" / c.Int8sb)
    groups = tuple(
        SampleGroup(
            (Quantity("moisture_count", field, "{count}"), Quantity("soil_temperature_degc", "warmth", "Cel")),
            repeat="samples",
            depth_index=depth,
            age_interval="interval",
        )
        for depth, field in enumerate(("upper", "lower"))
    )
    codec = _bench(c.Struct("interval" / c.Int8ub, "samples" / c.Array(2, element)), samples=groups)
    assert _row(codec, "samples").meaning == (
        "2 times, k counts from 0",
        "each is a sample at depths 0 and 1, k times interval minutes older than the uplink",
    )
    assert _row(codec, "samples[k].lower").meaning == ("moisture_count at depth 1 = raw, in {count}",)
    assert _row(codec, "samples[k].warmth").meaning == ("soil_temperature_degc at depths 0 and 1 = raw, in Cel",)


def test_a_row_says_wire_type_raw_values_and_meaning() -> None:
    count = _row(_V1, "moisture_count")
    assert (count.wire, count.raw) == ("unsigned, 16 bits, big-endian", "0 to 65535")
    assert count.meaning == (
        "moisture_count at depth 0 = raw, in {count}",
        "65535 (0xFFFF): transducer fault",
        "valid are 0 to 4095 (any other figure is kept and fails the range check)",
    )
    assert _row(_V1, "soil_temperature").meaning[-1] == "-32768 (0x8000): thermistor fault"
    assert _row(_V1, "supply_voltage").meaning == ("supply_v = raw x 0.01 + 2.00, in V",)
    assert (
        _row(_V2, "soil_temperature").meaning[0]
        == "soil_temperature_degc at depths 0 and 1 = raw x 0.0625 - 40, in Cel"
    )


def test_a_row_says_what_decides_what_is_bounded_and_what_is_constant() -> None:
    assert _row(_V4, "head.depths").raw == "1 to 6"
    assert _row(_V4, "head.depths").meaning == (
        "decides how many depths there are",
        "1 to 6 (any other value is refused)",
    )
    assert _row(_V4, "flags.conductivity_present").meaning == ("decides whether depths[k].conductivity is there",)
    assert _row(_V4, "depths[k].conductivity").meaning[-1] == "only where flags.conductivity_present"
    assert _row(_V4, "head.payload_version").meaning == ("always 4 (any other value is refused)",)
    assert _row(_V4, "flags.reserved").meaning == ("reserved: 0 when built, ignored when read",)
    assert _row(_V4, "flags.tilted").meaning == ("tilted: 1 yes, 0 no",)
    assert "2 brown-out" in _row(_STATUS, "head.reset_cause").meaning[1]


# --- layouts that the built-in family doesn't use ------------------------------------------------------


@pytest.mark.parametrize(
    ("layout", "places"),
    [
        (
            c.Struct("n" / c.Int8ub, "x" / c.BytesInteger(this.n), "y" / c.Int16ub),
            [("0", "", "n"), ("from 1", "", "x"), ("after x: 0-1", "", "y")],
        ),
        (
            c.Struct("x" / c.GreedyRange(c.Int16ub), "a" / c.Int8ub),
            [("from 0", "", "x"), ("0+2k .. 1+2k", "", "x[k]"), ("after x: 0", "", "a")],
        ),
        (
            c.Struct("x" / c.Array(3, c.Struct("y" / c.Array(2, c.Int8ub))), "a" / c.Int8ub),
            [("from 0", "", "x"), ("from 0+2k", "", "x[k].y"), ("0+2k+m", "", "x[k].y[m]"), ("6", "", "a")],
        ),
        (
            c.Struct("x" / c.BitStruct("y" / c.Array(2, c.BitsInteger(12)))),
            [
                ("0-1", "7 of the first to 4 of the last", "x.y[0]"),
                ("1-2", "3 of the first to 0 of the last", "x.y[1]"),
            ],
        ),
        (
            c.Struct("f" / c.Flag, "x" / c.IfThenElse(this.f, c.Int16ub, c.Int16ul), "y" / c.Int8ub),
            [("0", "", "f"), ("1-2", "", "x"), ("1-2", "", "x"), ("3", "", "y")],
        ),
        (c.Struct("x" / c.Padded(3, c.Int8ub)), [("0", "", "x"), ("1-2", "", "x")]),
        (c.Struct("x" / c.Sequence(c.Int8ub, c.Int8ub)), [("0", "", "x[0]"), ("1", "", "x[1]")]),
        (c.Struct("x" / c.Int8ub, "y" / c.Computed(this.x + 1)), [("0", "", "x"), ("", "", "y")]),
        (c.Struct("x" / c.If(True, c.Int8ub), c.Terminated, c.Check(this.x > 1)), [("0", "", "x"), ("", "", "")]),  # noqa: FBT003
    ],
)
def test_every_kind_of_section_has_its_place(layout: c.Construct, places: list[tuple[str, str, str]]) -> None:
    assert _places(_bench(layout)) == places


def test_a_field_torn_apart_by_swapped_bytes_is_told_piece_by_piece_the_most_significant_first() -> None:
    """Little-endian bit fields: the 12 bits stand in byte 2 and the upper half of byte 1."""
    inside = c.BitStruct("a" / c.BitsInteger(12), "b" / c.BitsInteger(12))
    assert _places(_bench(c.Struct("x" / c.ByteSwapped(inside)))) == [
        ("1, 0", "3-0, 7-0", "x.b"),
        ("2, 1", "7-0, 7-4", "x.a"),
    ]


def test_whole_bytes_that_are_swapped_are_the_other_endian() -> None:
    codec = _bench(c.Struct("x" / c.ByteSwapped(c.Struct("a" / c.Int16ub, "b" / c.Int16ul))))
    assert [(row.byte, row.field, row.wire) for row in table(codec)] == [
        ("0-1", "x.b", "unsigned, 16 bits, big-endian"),
        ("2-3", "x.a", "unsigned, 16 bits, little-endian"),
    ]


def test_swapped_bits_are_told_so() -> None:
    codec = _bench(c.Struct("x" / c.BitsSwapped(c.BitStruct("a" / c.BitsInteger(3), "b" / c.BitsInteger(5)))))
    assert [(row.bit, row.field, row.wire) for row in table(codec)] == [
        ("7-3", "x.b", "unsigned, 5 bits, each byte least significant bit first"),
        ("2-0", "x.a", "unsigned, 3 bits, each byte least significant bit first"),
    ]


def test_every_case_of_a_switch_says_when_it_is_there() -> None:
    layout = c.Struct("kind" / c.Int8ub, "x" / c.Switch(this.kind, {0: c.Int16ub, 1: c.Pass}, default=c.Int8ub))
    rows = table(_bench(layout))
    assert rows[0].meaning == ("decides what x is",)
    assert [(row.wire, row.meaning) for row in rows[1:]] == [
        ("unsigned, 16 bits, big-endian", ("only where kind = 0",)),
        ("unsigned, 8 bits", ("only where kind is none of 0, 1",)),
    ]


def test_a_condition_names_its_fields_with_their_whole_paths() -> None:
    inner = c.Struct("n" / c.Int8ub, "x" / c.If((this.n > 3) & (this._.f == 1), c.Int8ub))
    row = _row(_bench(c.Struct("f" / c.Int8ub, "s" / inner)), "s.x")
    assert row.meaning == ("only where (s.n > 3) & (f = 1)",)


def test_a_node_that_is_read_row_by_row_has_a_row_too() -> None:
    codec = _bench(c.Struct("a" / c.Bytes(3), "b" / c.GreedyBytes), row_by_row=True)
    assert [(row.byte, row.field, row.wire) for row in table(codec)] == [
        ("0-2", "a", "construct's Bytes, 24 bits"),
        ("from 3", "b", "construct's GreedyBytes, a length that the payload decides"),
    ]
    assert "- length: 3 bytes, then what GreedyBytes takes for b" in as_markdown(codec)


def test_enums_bounds_and_flags_in_bytes_are_told() -> None:
    codec = _bench(c.Struct("mode" / c.Enum(c.Int8ub, idle=0, busy=1), "f" / c.Flag), bounds=(Bound("mode", 0, 1),))
    assert table(codec)[0].meaning == ("labels: 0 idle, 1 busy", "0 to 1 (any other value is refused)")
    assert table(codec)[1].wire == "flag, 8 bits, any but 0 is yes"


def test_one_quantity_of_several_fields_is_told_at_each_depth() -> None:
    count = Quantity("moisture_count", "count", "{count}")
    codec = _bench(c.Struct("count" / c.Int8ub), samples=(SampleGroup((count,)), SampleGroup((count,), depth_index=3)))
    assert table(codec)[0].meaning == ("moisture_count at depths 0 and 3 = raw, in {count}",)


# --- what holds for every declaration ------------------------------------------------------------------


@given(declarations())
def test_the_rows_of_a_fixed_layout_cover_every_bit_once(codec: Codec) -> None:
    """Choices between sections of one length aside, of which a payload holds one."""
    size = fixed_size(codec.layout)
    found: list[int] = []
    for row in table(codec):
        if not isinstance(row.part, Part):
            continue
        place = row.part.place
        if size is None or place.anchor or place.strides or row.part.conditions:
            size = None
            break
        found += [bit for first, bits in row.part.pieces for bit in range(first, first + bits)]
    assert size is None or sorted(found) == list(range(8 * size))


@pytest.mark.parametrize("codec", [_V1, _V2, _STATUS], ids=lambda codec: codec.name)
def test_the_rows_of_the_fixed_versions_cover_every_bit_once(codec: Codec) -> None:
    pieces = [piece for row in table(codec) if isinstance(row.part, Part) for piece in row.part.pieces]
    found = sorted(bit for first, bits in pieces for bit in range(first, first + bits))
    assert found == list(range(8 * codec.layout.sizeof()))


def _indices(part: Part, leaf: Leaf) -> dict[str, int] | None:
    """Return the letters' values where a leaf may be this part's, else None."""
    letters = re.findall(r"\[([a-z])\]", part.path)
    pattern = re.sub(r"\\\[[a-z]\\\]", r"\\[(\\d+)\\]", re.escape(part.path))
    found = re.fullmatch(pattern, leaf.path)
    return None if found is None else dict(zip(letters, map(int, found.groups()), strict=True))


def _stands_there(part: Part, leaf: Leaf, indices: dict[str, int]) -> bool:
    step = sum(bits * indices[letter] for bits, letter in part.place.strides)
    if part.place.anchor or not part.pieces:
        return True
    first = min(bit for bit, _ in part.pieces) + step
    end = max(bit + bits for bit, bits in part.pieces) + step
    if len(part.pieces) == 1:
        return (first, end - first) == (leaf.first_bit, leaf.bits)
    # A leaf that is torn apart is told in whole bytes by the dissection.
    return (first // 8, (end - 1) // 8) == leaf.byte_range


def _agree(codec: Codec, found: Dissection) -> None:
    parts = [row.part for row in table(codec) if isinstance(row.part, Part)]
    for leaf in found.leaves:
        named = [(part, indices) for part in parts if (indices := _indices(part, leaf)) is not None]
        assert any(
            _stands_there(part, leaf, indices) and (part.kind == "reserved") == leaf.reserved for part, indices in named
        ), leaf


@given(declarations(), st.integers(0, 1 << 32))
def test_every_leaf_of_a_payload_stands_where_the_table_says(codec: Codec, seed: int) -> None:
    payload = whole(random.Random(seed), codec)
    found = dissect(CodecSet([codec]), codec.match.fport, payload)
    if isinstance(found, Dissection):
        _agree(codec, found)


@pytest.mark.parametrize(
    ("fport", "payload"),
    [
        (10, "01073A05DCA025002A"),
        (10, "2473A8346919031007"),
        (10, "3201020400040E3C00DE0515D20516CD0518"),
        (10, "420829230502110ED204E80536010208DDFF0000"),
        (11, "1205020E1A0CF8002238005A"),
    ],
)
def test_the_leaves_of_the_data_sheets_vectors_stand_where_the_table_says(fport: int, payload: str) -> None:
    codecs = CodecSet(BUILT_IN)
    found = dissect(codecs, fport, bytes.fromhex(payload))
    assert isinstance(found, Dissection)
    assert len(found.leaves) >= 7
    _agree(found.message.codec, found)


@given(declarations())
def test_markdown_has_one_line_a_row_and_six_cells_a_line(codec: Codec) -> None:
    lines = [line for line in as_markdown(codec).splitlines() if line.startswith("|")]
    assert len(lines) == 2 + len(table(codec))
    assert {len(re.findall(r"(?<!\\)\|", line)) for line in lines} == {7}


def test_what_only_a_python_function_knows_is_said_so() -> None:
    codec = _bench(c.Struct("n" / c.Int8ub, "x" / c.Array(lambda tree: tree.n, c.Int8ub)), row_by_row=True)
    assert table(codec)[1].meaning == ("a Python function's result times, k counts from 0",)


def test_conditions_on_an_elements_index_and_on_the_outermost_struct_are_told_plainly() -> None:
    element = c.Struct("y" / c.If(this._index == 1, c.Int8ub), "z" / c.If(this._root.f, c.Int8ub))
    codec = _bench(c.Struct("f" / c.Flag, "x" / c.Array(3, element)))
    assert _row(codec, "x[k].y").meaning == ("only where k = 1",)
    assert _row(codec, "x[k].z").meaning == ("only where f",)


def test_what_follows_filling_of_a_constant_length_has_an_exact_place_again() -> None:
    inside = c.Struct("n" / c.Int8ub, "x" / c.If(this.n, c.Int8ub))
    assert _places(_bench(c.Struct("s" / c.Padded(4, inside), "y" / c.Int8ub))) == [
        ("0", "", "s.n"),
        ("1", "", "s.x"),
        ("after s.x: from 0", "", "s"),
        ("4", "", "y"),
    ]
