"""Every kind of node that a declaration may hold is read by the generated JavaScript as construct reads it.

The reference is construct's own `.parse` on one payload, read whole or not at all.
"""

from __future__ import annotations

import io
import math
import random
from typing import Any

import construct as c
import pytest
from construct import this

from loamline_codecs.expressions import FAULTS
from loamline_codecs.script import script
from tests.codecs.javascript import Ask, codec_of, few_bits

_REFUSED = object()


def _fields(*numbers: Any) -> c.Struct:
    return c.Struct(*(f"x{index}" / number for index, number in enumerate(numbers)))


def _bits(*numbers: Any) -> c.Struct:
    return c.Struct("bits" / c.BitStruct(*(f"x{index}" / number for index, number in enumerate(numbers))))


def _computed(width: int, **expressions: Any) -> c.Struct:
    """Expressions over a signed `a` and an unsigned `b` of so many bytes, a flag `f` and a float `d`."""
    return c.Struct(
        "a" / c.BytesInteger(width, signed=True),
        "b" / c.BytesInteger(width),
        "f" / c.Flag,
        "d" / c.Float64b,
        *(name / c.Computed(expression) for name, expression in expressions.items()),
    )


#: Name -> layout and the lengths in bytes at which it can be read.
_LAYOUTS: dict[str, tuple[Any, tuple[int, ...]]] = {
    "numbers": (_fields(c.Int8ub, c.Int8sb, c.Int16ub, c.Int16sl, c.Int32sb, c.Int32ul, c.Int24sl, c.Int24ub), (20,)),
    "floats": (_fields(c.Float32b, c.Float32l, c.Float64b, c.Float64l), (24,)),
    "numbers of odd bytes": (
        _fields(c.BytesInteger(5, signed=True), c.BytesInteger(6, swapped=True), c.BytesInteger(1, signed=True)),
        (12,),
    ),
    "number as long as a field says": (
        c.Struct("n" / c.Int8ub, "x" / c.BytesInteger(this.n & 3, signed=True, swapped=this.n > 9)),
        (2, 3, 4),
    ),
    "bits as many as a field says": (
        _bits(c.BitsInteger(2), c.BitsInteger(14, signed=True), c.BitsInteger(16, swapped=this.x0 == 0)),
        (4,),
    ),
    "byte order that a flag decides": (c.Struct("f" / c.Flag, "x" / c.BytesInteger(3, swapped=this.f)), (4,)),
    "bit fields across byte borders": (
        _bits(c.BitsInteger(3), c.BitsInteger(11, signed=True), c.BitsInteger(53), c.BitsInteger(53, signed=True)),
        (15,),
    ),
    "swapped bit fields": (
        _bits(c.Nibble, c.BitsInteger(24, swapped=True), c.BitsInteger(16, signed=True, swapped=True), c.Nibble),
        (6,),
    ),
    "flags": (c.Struct("a" / c.Flag, "b" / c.BitStruct(*(f"x{k}" / c.Flag for k in range(8)))), (2,)),
    "padding": (
        c.Struct("a" / c.Padded(3, c.Int16ub), c.Padding(1), "b" / c.BitStruct(c.Padding(3), "x" / c.BitsInteger(5))),
        (5,),
    ),
    "padding as long as a field says": (
        c.Struct("n" / c.Int8ub, "x" / c.Padded(this.n & 3, c.Int8ub), "y" / c.Int8ub),
        (3, 4, 5),
    ),
    "padding that may be shorter than nothing": (
        c.Struct("n" / c.Int8ub, "x" / c.Padded((this.n & 3) - 2, c.Pass)),
        (1, 2),
    ),
    "constants": (
        c.Struct(c.Const(0xFF, c.Int8ub), "f" / c.Const(1, c.Flag), "b" / c.BitStruct(c.Const(1, c.Bit), c.Padding(7))),
        (3,),
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
    "number of a switch in an expression": (
        c.Struct(
            "f" / c.Flag,
            "x" / c.Switch(this.f, {1: c.Int16sb}, default=c.Flag),
            "y" / c.Computed(this.x + 1),
            "z" / c.Array(this.x & 1, c.Int8ub),
        ),
        (2, 3, 4),
    ),
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
    "field of a section that may be absent": (
        c.Struct(
            "f" / c.Flag,
            "s" / c.If(this.f, c.Struct("x" / c.Int8ub)),
            "g" / c.Flag,
            "y" / c.If(this.g, c.Computed(this.s.x)),
        ),
        (2, 3),
    ),
    "figure that may be absent": (
        c.Struct(
            "f" / c.Flag,
            "x" / c.If(this.f, c.Int8ub),
            "nothing" / c.Computed(this.x == None),  # noqa: E711 - an expression, not a comparison
            "seven" / c.Computed(this.x == 7),
            "y" / c.If(this.x, c.Int8ub),
            "n" / c.If(~this.x, c.Int8ub),
        ),
        (2, 3),
    ),
    "sum with what may be absent": (
        c.Struct("f" / c.Flag, "x" / c.If(this.f, c.Int8ub), "y" / c.Computed(this.x + 1)),
        (2,),
    ),
    "condition on a constant": (c.Struct("x" / c.If(True, c.Int8ub), "y" / c.IfThenElse(0, c.Int8ub, c.Int16ub)), (3,)),  # noqa: FBT003
    "condition on the outermost struct": (
        c.Struct("f" / c.Flag, "s" / c.Struct("t" / c.Struct("x" / c.If(this._root.f, c.Int8ub)))),
        (1, 2),
    ),
    "condition on a float": (c.Struct("d" / c.Float32b, "x" / c.If(this.d, c.Int8ub)), (4, 5)),
    "computed values": (
        _computed(
            2,
            seven=7,
            none=None,
            sum=this.a * -300 - 5,
            reversed=3 - this.b,
            half=this.a / 2,
            third=this.a / -3,
            less=-this.a,
            more=+this.f,
            both=this.f + this.f,
            down=this.a // 7,
            down_below=this.a // -7,
            rest=this.a % 7,
            rest_below=this.a % -7,
            rest_above=this.b % 10,
            cube=this.a**3,
            one=this.a**0,
            up=this.a << 5,
            shifted=this.a >> 3,
            less_than=this.a < this.b,
            at_most=this.a <= this.f,
            unequal=this.a != this.b,
            flag_equal=this.f == 1,
            not_flag=~this.f,
            not_number=~this.a,
            both_flags=this.f & (this.a > 0),
            any_flag=this.f | (this.a > 0),
            one_flag=this.f ^ (this.a > 0),
            size=c.abs_(this.a),
        ),
        (13,),
    ),
    "computed from floats": (
        _computed(
            2,
            sum=this.d + this.a,
            product=this.d * 3,
            less=-this.d,
            down=this.d // 0.1,
            down_below=this.d // -3,
            rest=this.d % 0.75,
            rest_below=this.d % -3,
            whole_by_float=this.a // 0.1,
            above=this.d > this.a,
            equal=this.d == this.a,
            not_float=~this.d,
        ),
        (13,),
    ),
    "bit operations past 32 bits": (
        _computed(
            6,
            low=this.b & 0xFFFF,
            mask=this.b & 0x8000_0000_0001,
            both=this.a & this.b,
            any=this.a | 0x1_2345_6789,
            one=this.a ^ this.b,
            half=this.b >> 20,
            down=this.a // 12345,
            rest=this.a % 12345,
            up=this.b << 5,
        ),
        (21,),
    ),
    "bit operations at 32 bits": (
        _computed(4, low=this.b & 3, sign=this.b | 0x8000_0000, both=this.a & -2, one=this.a ^ this.b),
        (17,),
    ),
    "products that are no zero with a sign, and what is left of numbers under zero": (
        _computed(1, times=this.a * -3, both=this.a * this.b, less=this.a - 7, rest=(this.a | -8) % 5),
        (11,),
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
    "length of a list that may be absent": (
        c.Struct(
            "f" / c.Flag, "x" / c.If(this.f, c.Array(2, c.Int8ub)), "y" / c.Computed(this.f & (c.len_(this.x) > 1))
        ),
        (3,),
    ),
    "array in an array": (
        c.Struct("n" / c.Int8ub, "x" / c.Array(2, c.Struct("m" / c.Int8ub, "y" / c.Array(this.m & 1, c.Int8ub)))),
        (3, 4, 5),
    ),
    "array whose elements know their place": (
        c.Struct(
            "x" / c.Array(3, c.Struct("y" / c.If(this._index == 1, c.Int8ub), "z" / c.Int8ub)),
            "after" / c.Computed(this._index),
        ),
        (4,),
    ),
    "array that is all there is": (c.Array(3, c.Struct("y" / c.If(this._index == 1, c.Int8ub))), (1,)),
    "elements in expressions": (
        c.Struct(
            "n" / c.Int8ub,
            "x" / c.Array(this.n & 3, c.Int8sb),
            "count" / c.Computed(c.len_(this.x)),
            "sum" / c.Computed(c.sum_(this.x)),
            "greatest" / c.If(this.n & 1, c.Computed(c.max_(this.x))),
            "least" / c.If(this.n & 1, c.Computed(c.min_(this.x))),
            "last" / c.If(this.n & 4, c.Computed(this.x[-1])),
            "second" / c.If(this.n & 8, c.Computed(this.x[1])),
        ),
        (1, 2, 3, 4),
    ),
    "as many as there are": (c.Struct("a" / c.Int8ub, "x" / c.GreedyRange(c.Int16ub)), (1, 3, 5)),
    "as many as there are, in sections": (
        c.Struct("x" / c.GreedyRange(c.Struct("a" / c.Int8ub, "b" / c.BitStruct("c" / c.Nibble, "d" / c.Nibble)))),
        (0, 2, 4),
    ),
    "as many as begin with a zero, then one more": (
        c.Struct("x" / c.GreedyRange(c.Struct("zero" / c.Const(0, c.Int8ub), "y" / c.Int8ub)), "rest" / c.Int8ub),
        (1, 3, 5),
    ),
    "sequence": (
        c.Struct(
            "s" / c.Sequence("n" / c.Int8ub, c.Int16ub, "x" / c.If(this.n > 99, c.Int8ub)), "y" / c.Computed(this.s[0])
        ),
        (3, 4),
    ),
    "bytes in the opposite order": (
        c.Struct("a" / c.Int8ub, "x" / c.ByteSwapped(c.Struct("p" / c.Int8ub, "q" / c.Int16ub)), "b" / c.Int8ub),
        (5,),
    ),
    "bits in the opposite order": (
        c.Struct("x" / c.BitsSwapped(c.BitStruct("p" / c.BitsInteger(3), "q" / c.BitsInteger(13))), "b" / c.Int8ub),
        (3,),
    ),
    "bytes off the byte border": (
        _bits(c.Nibble, c.Bytewise(_fields(c.Int16ul, c.Int16sb, c.Float32b, c.Float32l)), c.Nibble),
        (13,),
    ),
    "check": (c.Struct("a" / c.Int8ub, "b" / c.Int8ub, c.Check(this.a <= this.b)), (2,)),
    "rebuilt and defaulted fields": (
        c.Struct("n" / c.Rebuild(c.Int8ub, c.len_(this.x)), "x" / c.Array(this.n & 1, c.Default(c.Int8ub, 4))),
        (1, 2),
    ),
    "no more bytes": (c.Struct("a" / c.Int8ub, c.Terminated), (1,)),
    "fields with names that JavaScript keeps for itself": (
        c.Struct(
            "var" / c.Int8ub,
            "two words" / c.Int8ub,
            "toString" / c.If(this["two words"], c.Struct("function" / c.Int8ub)),
        ),
        (2, 3),
    ),
}


@pytest.mark.parametrize("name", _LAYOUTS)
def test_a_node_is_read_as_construct_reads_it(name: str, ask: Ask) -> None:
    """Raw values of random payloads, of all zeros and of all ones, at every length up to one too many."""
    layout, lengths = _LAYOUTS[name]
    chance = random.Random(name)
    payloads = [
        payload
        for length in range(max(lengths) + 2)
        for payload in (bytes(length), b"\xff" * length, *(few_bits(length, chance) for _ in range(60)))
    ]
    answers = ask(script(codec_of(layout)), [list(payload) for payload in payloads], "readLayout")
    read_once = set()
    for payload, got in zip(payloads, answers, strict=True):
        expected = _parsed(layout, payload)
        if expected is _REFUSED:
            assert not got.get("whole"), f"{payload.hex()}: expected a refusal, got {got}"
            if "refused" in got:
                assert got["fault"] == "Error", got
                assert got["refused"].startswith("codec tried: "), got
        else:
            assert _same(expected, got.get("raw")), f"{payload.hex()}: expected {expected}, got {got}"
            read_once.add(len(payload))
    assert read_once == set(lengths)


@pytest.mark.parametrize(
    ("layout", "right", "wrong"),
    [
        (c.Const(1.5, c.Float32b), "3FC00000", "3F800000"),
        (c.Const(-2, c.Int8sb), "FE", "02"),
        (c.Const(1, c.Flag), "01", "00"),
    ],
    ids=["a float", "a number under zero", "a flag"],
)
def test_a_constant_is_read_where_it_stands_and_anything_else_refused(
    layout: Any, right: str, wrong: str, ask: Ask
) -> None:
    payloads = [list(bytes.fromhex(told)) for told in (right, wrong)]
    read, refused = ask(script(codec_of(c.Struct("k" / layout))), payloads, "readLayout")
    assert read == {"raw": {"k": layout.value}, "whole": True}
    assert refused["fault"] == "Error"


def _parsed(layout: Any, payload: bytes) -> Any:
    stream = io.BytesIO(payload)
    try:
        tree = layout.parse_stream(stream)
    except (c.ConstructError, *FAULTS):
        return _REFUSED
    return tree if stream.tell() == len(payload) else _REFUSED


def _same(expected: Any, got: Any) -> bool:
    if isinstance(expected, dict):
        names = expected.keys() - {"_io"}
        return isinstance(got, dict) and names == got.keys() and all(_same(expected[name], got[name]) for name in names)
    if isinstance(expected, list):
        return len(expected) == len(got) and all(_same(*pair) for pair in zip(expected, got, strict=True))
    if isinstance(expected, str):
        return bool(int(expected) == got)
    if isinstance(expected, float) and math.isnan(expected):
        return isinstance(got, float) and math.isnan(got)
    if isinstance(expected, int) and expected == got == 0:
        return math.copysign(1, got) > 0  # whole numbers know one zero
    return bool(expected == got)
