"""The columnar walk reads every kind of node that it claims exactly as construct's own parser does.

The reference is `.parse` on one payload at a time, read whole or not at all: construct leaves trailing bytes
unread, a codec never does.
"""

from __future__ import annotations

import io
import math
from typing import Any

import construct as c
import numpy as np
import pytest
from construct import this
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from loamline_codecs import Codec, Match
from loamline_codecs.columnar import Part, read_columns
from loamline_codecs.cursor import Repeated
from loamline_codecs.dissect import reserved_mask
from loamline_codecs.expressions import FAULTS, Symbol
from loamline_codecs.plans import Plans
from loamline_codecs.reads import Read
from loamline_codecs.single import read_single
from loamline_codecs.walkable import require_walkable

_REFUSED = object()
_ROWS = 24


def _fields(*numbers: Any) -> c.Struct:
    return c.Struct(*(f"x{index}" / number for index, number in enumerate(numbers)))


def _bits(*numbers: Any) -> c.Struct:
    return c.Struct("bits" / c.BitStruct(*(f"x{index}" / number for index, number in enumerate(numbers))))


#: Name -> layout and the lengths in bytes at which it can be read.
LAYOUTS: dict[str, tuple[Any, tuple[int, ...]]] = {
    "8-bit numbers": (_fields(c.Int8ub, c.Int8sb, c.Int8ul, c.Int8sl), (4,)),
    "16-bit numbers": (_fields(c.Int16ub, c.Int16sb, c.Int16ul, c.Int16sl), (8,)),
    "32-bit numbers": (_fields(c.Int32ub, c.Int32sb, c.Int32ul, c.Int32sl), (16,)),
    "floats": (_fields(c.Float32b, c.Float32l, c.Float64b, c.Float64l), (24,)),
    "24-bit numbers": (_fields(c.Int24ub, c.Int24sb, c.Int24ul, c.Int24sl), (12,)),
    "numbers of odd bytes": (
        _fields(c.BytesInteger(5, signed=True), c.BytesInteger(7, swapped=True), c.BytesInteger(1, signed=True)),
        (13,),
    ),
    "number as long as a field says": (
        c.Struct("n" / c.Int8ub, "x" / c.BytesInteger(this.n & 7, signed=True)),
        (2, 3, 4, 5, 6, 7, 8),
    ),
    "byte order that a field decides": (
        c.Struct("little" / c.Flag, "x" / c.BytesInteger(3, swapped=this.little)),
        (4,),
    ),
    "bit fields across byte borders": (
        _bits(c.BitsInteger(3), c.BitsInteger(11, signed=True), c.BitsInteger(9), c.BitsInteger(1, signed=True)),
        (3,),
    ),
    "56 bits off the byte border": (_bits(c.BitsInteger(1), c.BitsInteger(56), c.BitsInteger(7)), (8,)),
    "swapped bit fields": (
        _bits(c.Nibble, c.BitsInteger(24, swapped=True), c.BitsInteger(16, signed=True, swapped=True), c.Nibble),
        (6,),
    ),
    "swapped bit field on the byte border": (_bits(c.BitsInteger(16, swapped=True)), (2,)),
    "bits whose order a field decides": (
        _bits(c.BitsInteger(8), c.BitsInteger(12, swapped=this.x0 == 0), c.Nibble),
        (3,),
    ),
    "flag in a byte": (_fields(c.Flag, c.Flag), (2,)),
    "flags in bits": (_bits(*[c.Flag] * 8), (1,)),
    "padding in bytes and bits": (
        c.Struct("a" / c.Padded(3, c.Int16ub), c.Padding(1), "b" / c.BitStruct(c.Padding(3), "x" / c.BitsInteger(5))),
        (5,),
    ),
    "padding as long as a field says": (
        c.Struct("n" / c.Int8ub, "x" / c.Padded(this.n & 3, c.Int8ub), "y" / c.Int8ub),
        (3, 4, 5),
    ),
    "padding shorter than its content": (c.Struct("n" / c.Int8ub, "x" / c.Padded(this.n & 1, c.Int16ub)), ()),
    "constants": (
        c.Struct(c.Const(0xFF, c.Int8ub), "b" / c.BitStruct(c.Const(1, c.Bit), "x" / c.BitsInteger(7))),
        (2,),
    ),
    "enum": (c.Struct("x" / c.Enum(c.Int8ub, on=1, off=0), "y" / c.Int8ub), (2,)),
    "switch": (
        c.Struct(
            "kind" / c.Int8ub,
            "x" / c.Switch(this.kind & 3, {0: c.Int16ub, 1: c.Struct("y" / c.Int8sb), 2: c.Pass}, default=c.Int24ul),
        ),
        (1, 2, 3, 4),
    ),
    "switch on a flag": (
        c.Struct("wide" / c.Flag, "x" / c.Switch(this.wide, {True: c.Int16ub, False: c.Int8ub})),
        (2, 3),
    ),
    "switch on a constant": (c.Struct("x" / c.Switch(1, {1: c.Int8ub})), (1,)),
    "section where a flag is set": (
        c.Struct("f" / c.Flag, "x" / c.If(this.f, c.Int16ub), "y" / c.IfThenElse(~this.f, c.Int16ul, c.Int8ub)),
        (3, 4),
    ),
    "sections inside sections": (
        c.Struct(
            "f" / c.BitStruct(c.Padding(6), "a" / c.Flag, "b" / c.Flag),
            "s" / c.If(this.f.a, c.Struct("x" / c.Int8ub, "y" / c.If(this._.f.b & (this.x > 9), c.Int16ub))),
        ),
        (1, 2, 4),
    ),
    "condition on a constant": (c.Struct("x" / c.If(True, c.Int8ub), "y" / c.IfThenElse(0, c.Int8ub, c.Int16ub)), (3,)),  # noqa: FBT003
    "condition on the outermost struct": (
        c.Struct("f" / c.Flag, "s" / c.Struct("t" / c.Struct("x" / c.If(this._root.f, c.Int8ub)))),
        (1, 2),
    ),
    "computed values": (
        c.Struct(
            "a" / c.Int8ub,
            "b" / c.Flag,
            "sum" / c.Computed(this.a * 300 - 5),
            "half" / c.Computed(this.a / 2),
            "less" / c.Computed(-this.a),
            "both" / c.Computed(this.b + this.b),
            "seven" / c.Computed(7),
        ),
        (2,),
    ),
    "array of a fixed count": (c.Struct("x" / c.Array(3, c.Int16sl)), (6,)),
    "array with a field's count": (
        c.Struct("n" / c.Int8ub, "x" / c.Array((this.n & 3) + 1, c.Struct("a" / c.Int8ub, "b" / c.Flag))),
        (3, 5, 7, 9),
    ),
    "array with two flags' count": (
        c.Struct("a" / c.Flag, "b" / c.Flag, "x" / c.Array(this.a + this.b, c.Int8ub)),
        (2, 3, 4),
    ),
    "array with a count under zero": (c.Struct("n" / c.Int8ub, "x" / c.Array((this.n & 3) - 2, c.Int8ub)), (1, 2)),
    "array with half a count": (c.Struct("n" / c.Int8ub, "x" / c.Array((this.n & 3) / 2, c.Int8ub)), ()),
    "array in an array": (
        c.Struct("n" / c.Int8ub, "x" / c.Array(2, c.Struct("m" / c.Int8ub, "y" / c.Array(this.m & 1, c.Int8ub)))),
        (3, 4, 5),
    ),
    "array whose elements know their place": (
        c.Struct("x" / c.Array(3, c.Struct("y" / c.If(this._index == 1, c.Int8ub), "z" / c.Int8ub))),
        (4,),
    ),
    "array whose elements depend on a flag before it": (
        c.Struct("f" / c.Flag, "x" / c.Array(3, c.Struct("a" / c.Int8ub, "b" / c.If(this._.f, c.Int16sl)))),
        (4, 10),
    ),
    "array of bits and of bytes turned round": (
        c.Struct(
            "x" / c.Array(2, c.BitStruct("y" / c.Array(3, c.BitsInteger(5)), "z" / c.Flag)),
            "v" / c.ByteSwapped(c.Array(2, c.Int16ub)),
            "w" / c.BitsSwapped(c.Array(2, c.Struct("a" / c.Int16sl, c.Padding(1)))),
        ),
        (14,),
    ),
    "values of an array that decide": (
        c.Struct(
            "x" / c.Array(2, c.Struct("a" / c.Int8ub)),
            "sum" / c.Computed(this.x[0].a * 256 + this.x[1].a),
            "y" / c.If(this.x[1].a > this.x[0].a, c.Int8ub),
        ),
        (2, 3),
    ),
    "array that is all there is": (c.Array(3, c.Struct("y" / c.If(this._index == 1, c.Int8ub))), (1,)),
    "array with a named element": (c.Struct("x" / c.Array(2, "y" / c.Int8ub)), (2,)),
    "as many as there are": (c.Struct("a" / c.Int8ub, "x" / c.GreedyRange(c.Int16ub)), (1, 3, 5)),
    "as many as there are, then one more": (c.Struct("x" / c.GreedyRange(c.Int16ub), "a" / c.Int8ub), (1, 3)),
    "sequence": (
        c.Struct("x" / c.Sequence(c.Int8ub, "n" / c.Int8ub, c.If(this.n > 99, c.Int8ub), c.Flag)),
        (3, 4),
    ),
    "swapped bytes": (c.Struct("a" / c.Int8ub, "x" / c.ByteSwapped(_fields(c.Int8ub, c.Int24ub, c.Int16ul))), (7,)),
    "bit fields in swapped bytes": (
        c.Struct("x" / c.ByteSwapped(c.BitStruct("a" / c.BitsInteger(5), "b" / c.BitsInteger(19)))),
        (3,),
    ),
    "section in swapped bytes": (
        c.Struct("f" / c.Flag, "x" / c.ByteSwapped(c.Padded(2, c.Struct("y" / c.Int16ub))), "z" / c.If(this.f, c.Flag)),
        (3, 4),
    ),
    "swapped bits": (c.Struct("a" / c.Int8ub, "x" / c.BitsSwapped(_bits(c.BitsInteger(3), c.BitsInteger(13)))), (3,)),
    "switch in swapped bits": (
        c.Struct("k" / c.Int8ub, "x" / c.BitsSwapped(c.Struct("y" / c.IfThenElse(True, c.Int16ub, c.Int16ub)))),  # noqa: FBT003
        (3,),
    ),
    "bytes off the byte border": (
        _bits(c.Nibble, c.Bytewise(_fields(c.Int16ul, c.Int16sb, c.Float32b, c.Float32l)), c.Nibble),
        (13,),
    ),
    "check": (c.Struct("a" / c.Int8ub, "b" / c.Int8ub, c.Check(this.a <= this.b)), (2,)),
    "check on a constant": (c.Struct("a" / c.Int8ub, c.Check(True)), (1,)),  # noqa: FBT003
    "rebuilt and defaulted fields": (
        c.Struct("n" / c.Rebuild(c.Int8ub, c.len_(this.x)), "x" / c.Array(this.n & 1, c.Default(c.Int8ub, 4))),
        (1, 2),
    ),
    "no more bytes": (c.Struct("a" / c.Int8ub, c.Terminated), (1,)),
    "no more bytes, too early": (c.Struct("a" / c.Int8ub, c.Terminated, "b" / c.Int8ub), ()),
    "a field called like a gathered list": (
        c.Struct("listed" / c.Int8ub, "x" / c.Array(this.listed & 1, c.Flag)),
        (1, 2),
    ),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_node_is_walked_as_construct_parses_it(name: str) -> None:
    layout, lengths = LAYOUTS[name]
    require_walkable(_codec(layout))
    longest = max(lengths, default=2) + 1
    read_once = set()

    @settings(max_examples=25, deadline=None, database=None)
    @given(st.binary(min_size=_ROWS * longest, max_size=_ROWS * longest))
    @example(bytes(_ROWS * longest))
    @example(bytes([0xFF]) * (_ROWS * longest))
    @example(bytes(range(256)) * longest)
    def agree(block: bytes) -> None:
        for length in range(longest + 1):
            payloads = [block[row * length : (row + 1) * length] for row in range(_ROWS)]
            if _agreeing(layout, payloads):
                read_once.add(length)

    agree()
    assert read_once == set(lengths)


def _codec(layout: Any) -> Codec:
    return Codec("tried", "", "measurement", Match(1, 0, 0), layout, ())


def _agreeing(layout: Any, payloads: list[bytes]) -> bool:
    """Compare the readers on equally long payloads; return whether any was read."""
    plans = Plans(_codec(layout))
    parts, apart = _columns(plans, payloads)
    places = [place for part in parts for place in part.rows] + [place for rows in apart for place in rows]
    assert sorted(places) == list(range(len(payloads))), "every row is read or set apart, once"
    for part in parts:
        for index, row in enumerate(part.rows):
            expected, got = _parsed(layout, payloads[row]), _row(part.reading.tree, _of_row(part.values, index))
            assert _same(expected, got), f"{payloads[row].hex()}: {expected} {got}"
    for row in (place for rows in apart for place in rows):
        assert _parsed(layout, payloads[row]) is _REFUSED, payloads[row].hex()
    for payload in payloads:
        single, expected = read_single(plans, payload), _parsed(layout, payload)
        got = _REFUSED if single is None else _row(single.reading.tree, single.values)
        assert (expected is _REFUSED and got is _REFUSED) or _same(expected, got), f"{payload.hex()}: {expected} {got}"
    return bool(parts)


def _columns(plans: Plans, payloads: list[bytes]) -> tuple[list[Part], list[NDArray[np.int64]]]:
    block = np.frombuffer(b"".join(payloads), dtype=np.uint8).reshape(len(payloads), len(payloads[0]))
    return read_columns(plans, np.arange(len(payloads)), block, smallest=1)


def _of_row(values: list[Any], index: int) -> list[Any]:
    """One row's values, as the reader of one payload has them."""
    return [value[..., index].tolist() for value in values]


def _parsed(layout: Any, payload: bytes) -> Any:
    stream = io.BytesIO(payload)
    try:
        tree = layout.parse_stream(stream)
    except (c.ConstructError, *FAULTS):
        return _REFUSED
    return tree if stream.tell() == len(payload) else _REFUSED


def _row(tree: Any, values: list[Any]) -> Any:
    """A plan's tree with the values of one payload in it."""
    if isinstance(tree, dict):
        return {name: _row(value, values) for name, value in tree.items()}
    if isinstance(tree, list | Repeated):
        return [_row(value, values) for value in tree]
    return tree.of(values) if isinstance(tree, Symbol) else tree


def _same(expected: Any, got: Any) -> bool:
    if isinstance(expected, dict):
        names = expected.keys() - {"_io"}
        return names <= got.keys() and all(_same(expected[name], got[name]) for name in names)
    if isinstance(expected, list):
        return len(expected) == len(got) and all(_same(*pair) for pair in zip(expected, got, strict=True))
    if isinstance(expected, str):
        return bool(int(expected) == got)
    if isinstance(expected, float) and math.isnan(expected):
        return math.isnan(got)
    return bool(expected == got)


@pytest.mark.parametrize(
    ("layout", "payload", "value"),
    [
        # A GreedyRange ends at the first element that fails, which a walk by length can't foresee.
        (c.Struct("x" / c.GreedyRange(c.Const(1, c.Int8ub)), "rest" / c.Int8ub), "010102", [1, 1]),
        # More than 56 bits don't fit a column of whole numbers.
        (c.Struct("n" / c.Int8ub, "x" / c.BytesInteger(this.n)), "080102030405060708", 0x0102030405060708),
    ],
)
def test_what_only_the_scalar_parser_can_read_is_left_to_it(layout: Any, payload: str, value: Any) -> None:
    octets = bytes.fromhex(payload)
    plans = Plans(_codec(layout))
    parts, apart = _columns(plans, [octets])
    assert (parts, [rows.tolist() for rows in apart]) == ([], [[0]])
    assert read_single(plans, octets) is None
    assert _parsed(layout, octets).x == value


@given(st.integers(0, 63), st.integers(1, 56), st.binary(min_size=16, max_size=16))
def test_a_number_is_cut_out_at_any_bit(first_bit: int, bits: int, octets: bytes) -> None:
    last = (first_bit + bits - 1) // 8
    read = Read(tuple(range(first_bit // 8, last + 1)), 8 * (last + 1) - first_bit - bits, bits)
    expected = int.from_bytes(octets, "big") >> (128 - first_bit - bits) & ((1 << bits) - 1)
    assert read.column(np.frombuffer(octets, dtype=np.uint8)[np.newaxis]).tolist() == [expected]
    assert read.number(octets, []) == expected


def _places(layout: Any, octets: bytes) -> list[tuple[str, int, int]]:
    single = read_single(Plans(_codec(layout)), octets)
    assert single is not None
    return [(leaf.path, leaf.first_bit, leaf.bits) for leaf in single.reading.leaves]


def test_fields_of_swapped_bytes_are_placed_where_they_stand_in_the_payload() -> None:
    """A little-endian bit field that crosses a byte border is torn apart: it takes whole bytes."""
    inside = c.BitStruct(
        "a" / c.BitsInteger(4), "b" / c.BitsInteger(8), "c" / c.BitsInteger(4), "d" / c.BitsInteger(16)
    )
    layout = c.Struct("head" / c.Int8ub, "x" / c.ByteSwapped(inside))
    assert _places(layout, bytes(5)) == [
        ("head", 0, 8),
        ("x.a", 32, 4),
        ("x.b", 24, 16),
        ("x.c", 28, 4),
        ("x.d", 8, 16),
    ]


def test_fields_of_swapped_bits_are_placed_where_they_stand_in_the_payload() -> None:
    inside = c.BitStruct(
        "a" / c.BitsInteger(3), "b" / c.BitsInteger(6), "c" / c.BitsInteger(7), "d" / c.BitsInteger(16)
    )
    layout = c.Struct("head" / c.Int8ub, "x" / c.BitsSwapped(inside))
    assert _places(layout, bytes(5)) == [
        ("head", 0, 8),
        ("x.a", 13, 3),
        ("x.b", 8, 16),
        ("x.c", 16, 7),
        ("x.d", 24, 16),
    ]


def test_reserved_bits_of_nothing_leave_every_bit_kept() -> None:
    assert reserved_mask((), 2) == b"\xff\xff"
