"""Declarations: what a quantity makes of raw values, and what is refused on loading, in whole sentences."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import construct as c
import numpy as np
import pytest
from construct import this
from hypothesis import assume, given
from hypothesis import strategies as st

from loamline_codecs import BUILT_IN, Codec, CodecSet, DeclarationError, Match, Quantity

_decimals = st.decimals(min_value="-1000", max_value="1000", allow_nan=False, places=4).map(str)
_raws = st.integers(-(2**55), 2**55 - 1)


@st.composite
def quantities(draw: st.DrawFn) -> Quantity:
    scale = draw(_decimals)
    assume(Fraction(scale) != 0)
    return Quantity("supply_v", "supply", "V", scale=scale, offset=draw(_decimals), sentinels={-1: "fault"})


@given(quantities(), st.lists(_raws))
def test_a_column_of_figures_equals_the_figures_bit_for_bit(quantity: Quantity, raws: list[int]) -> None:
    column = quantity.physical_column(np.array(raws, dtype=np.int64))
    expected = [np.nan if (figure := quantity.physical(raw)) is None else figure for raw in raws]
    assert column.tobytes() == np.array(expected, dtype=np.float64).tobytes()


@given(quantities(), st.lists(st.floats(width=32)))
def test_a_column_of_floats_equals_the_figures_bit_for_bit(quantity: Quantity, raws: list[float]) -> None:
    column = quantity.physical_column(np.array(raws, dtype=np.float64))
    expected = [np.nan if (figure := quantity.physical(raw)) is None else figure for raw in raws]
    np.testing.assert_array_equal(column, np.array(expected, dtype=np.float64))


@given(quantities(), st.integers(-(2**24), 2**24))
def test_a_figure_is_the_double_nearest_to_the_decimal_one(quantity: Quantity, raw: int) -> None:
    if raw not in quantity.sentinels:
        assert quantity.physical(raw) == float(raw * Fraction(quantity.scale) + Fraction(quantity.offset))


@given(quantities(), st.integers(-(2**24), 2**24))
def test_a_figure_leads_back_to_its_raw_value(quantity: Quantity, raw: int) -> None:
    figure = quantity.physical(raw)
    assert (figure is None) == (raw == -1)
    assert figure is None or quantity.raw(figure) == raw


def test_floats_beyond_all_bounds_become_infinite_in_a_column_as_alone() -> None:
    """With no warning: a hostile payload may hold any float."""
    quantity = Quantity("supply_v", "supply", "V", scale="100")
    raws = [1.7e308, -1.7e308, float("inf"), float("nan")]
    assert quantity.physical_column(np.array(raws)).tolist()[:3] == [quantity.physical(raw) for raw in raws[:3]]


def test_a_fault_code_is_no_figure_and_has_its_sentence() -> None:
    quantity = Quantity("supply_v", "supply", "V", sentinels={255: "cable cut"})
    assert quantity.physical(255) is None
    assert np.isnan(quantity.physical_column(np.array([255]))).all()
    assert (quantity.sentence(255), quantity.sentence(254)) == ("cable cut", None)


# What can't be read as columns --------------------------------------------------------------------------


def _codec(layout: Any, **more: Any) -> Codec:
    return Codec("bench-v1", "A test bench's.", "measurement", Match(7, 8, 1), layout, (), **more)


def _refusal(*codecs: Codec) -> str:
    with pytest.raises(DeclarationError) as caught:
        CodecSet(codecs)
    return str(caught.value)


_WAY_OUT = (
    "use numbers, sections, arrays and switches over `this` expressions, or set row_by_row=True and accept that every "
    "payload costs construct's own time"
)


@pytest.mark.parametrize(
    ("layout", "problem"),
    [
        ("text" / c.CString("ascii"), "text: expected a node that can be read as columns, got StringEncoded"),
        (
            "t" / c.ExprAdapter(c.Int16sb, c.obj_ / 100, c.obj_ * 100),
            "t: expected a node that can be read as columns, got ExprAdapter",
        ),
        ("x" / c.Int8ub * print, "x: expected a field without a parsing hook, got one"),
        ("x" / c.ProcessXor(1, c.Int8ub), "x: expected a node that can be read as columns, got ProcessXor"),
        (
            "x" / c.Transformed(c.Int8ub, bytes, 1, bytes, 1),
            "x: expected BitStruct or ByteSwapped, got another transform",
        ),
        ("x" / c.Int64ub, "x: expected a number of at most 4 bytes, or a float, got format >Q"),
        ("x" / c.Float16b, "x: expected a number of at most 4 bytes, or a float, got format >e"),
        ("x" / c.BytesInteger(8), "x: expected 1 to 7 bytes in a whole number, got 8"),
        ("x" / c.BytesInteger(0), "x: expected 1 to 7 bytes in a whole number, got 0"),
        ("b" / c.BitStruct("x" / c.BitsInteger(64)), "b.x: expected 1 to 56 bits in a whole number, got 64"),
        ("b" / c.BitStruct("x" / c.BitsInteger(12)), "b: expected whole bytes in a BitStruct, got 12 bits"),
        ("x" / c.BitsInteger(8), "x: expected bits inside a BitStruct, got BitsInteger outside of one"),
        (
            "b" / c.BitStruct("x" / c.Array(8, c.Int8ub)),
            "b.x: expected BitsInteger inside a BitStruct, got FormatField",
        ),
        (
            "b" / c.BitStruct("x" / c.ByteSwapped(c.BitsInteger(8))),
            "b.x: expected swapped bytes of whole bytes, got them inside a BitStruct",
        ),
        ("x" / c.Bytewise(c.Int8ub), "x: expected Bytewise inside a BitStruct, got it outside of one"),
        ("x" / c.Const(b"LL"), "x: expected a number as the constant, got b'LL'"),
        ("x" / c.Const("on", c.Enum(c.Int8ub, on=1)), "x: expected a number as the constant, got 'on'"),
        ("x" / c.Const(1, c.Enum(c.Int8ub, on=1)), "x: expected a number as the constant, got 1"),
        ("x" / c.Array(2, c.Int8ub, discard=True), "x: expected a list whose elements are kept, got discard"),
        (
            c.Struct("n" / c.Int8ub, "x" / c.Array(lambda ctx: ctx.n, c.Int8ub)),
            "x: expected `this` expressions only, got a Python function as count",
        ),
        (
            c.Struct("n" / c.Int8ub, "x" / c.If(lambda ctx: ctx.n, c.Int8ub)),
            "x: expected `this` expressions only, got a Python function as condfunc",
        ),
        (
            "x" / c.GreedyRange(c.Struct("n" / c.Int8ub, "y" / c.Array(this.n, c.Int8ub))),
            "x: expected elements of one size in a GreedyRange, got a size that the payload decides",
        ),
        (
            "x" / c.GreedyRange(c.Struct("n" / c.Int8ub, "y" / c.If(this.n, c.Int8ub))),
            "x: expected elements of one size in a GreedyRange, got a size that the payload decides",
        ),
        ("x" / c.GreedyRange(c.Pass), "x: expected elements of one size in a GreedyRange, got elements of no bytes"),
        (
            c.Struct("n" / c.Int8ub, "x" / c.Array(8 // (this.n + 1), c.Int8ub)),
            "x: expected a constant on the right of //, got (this['n'] + 1)",
        ),
        (
            c.Struct("n" / c.Int8ub, "x" / c.Array(-(1 << this.n), c.Int8ub)),
            "x: expected a constant on the right of <<, got this['n']",
        ),
        (
            c.Struct("k" / c.Enum(c.Int8ub, a=1), "x" / c.Switch(this.k, {"a": c.Int8ub})),
            "x: expected an expression over numbers, got this['k'], which is an Enum",
        ),
        (
            c.Struct("k" / c.Enum(c.Int8ub, a=1), "x" / c.If(1 + this.k, c.Int8ub)),
            "x: expected an expression over numbers, got this['k'], which is an Enum",
        ),
        (
            "b" / c.BitStruct("x" / c.Bytewise(c.ByteSwapped(c.Int8ub))),
            "b.x: expected swapped bytes of whole bytes, got them inside a BitStruct",
        ),
    ],
    ids=lambda value: value.partition(":")[2].strip() if isinstance(value, str) else "",
)
def test_what_cannot_be_read_as_columns_is_refused_by_name(layout: Any, problem: str) -> None:
    assert _refusal(_codec(layout)) == f"codec bench-v1: {problem}; {_WAY_OUT}"


def test_a_hook_is_refused_where_the_field_is_nested() -> None:
    layout = c.Struct("head" / c.BitStruct("flags" / c.BitsInteger(8) * print))
    assert _refusal(_codec(layout)) == (
        f"codec bench-v1: head.flags: expected a field without a parsing hook, got one; {_WAY_OUT}"
    )


def test_a_problem_of_the_layout_itself_is_told_by_its_kind() -> None:
    assert _refusal(_codec(c.GreedyBytes)).startswith("codec bench-v1: GreedyBytes: expected a node")


# The set ------------------------------------------------------------------------------------------------


def test_a_codec_is_found_by_its_name() -> None:
    codecs = CodecSet(BUILT_IN)
    assert all(codecs.by_name(codec.name) is codec for codec in BUILT_IN)
    with pytest.raises(KeyError) as caught:
        codecs.by_name("measurement-v9")
    known = "measurement-v1, measurement-v2, measurement-v3, measurement-v4, status-v1"
    assert caught.value.args[0] == f"expected one of {known}, got 'measurement-v9'"


def test_the_longest_age_is_over_all_codecs() -> None:
    """Seven older samples at most, 255 minutes apart (the data sheet's version 3)."""
    assert CodecSet(BUILT_IN).longest_age_minutes == 7 * 255
    assert CodecSet([]).longest_age_minutes == 0
