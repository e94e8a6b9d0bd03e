"""Layouts that the author has read row by row: what is allowed then, what is still checked, what the digest covers."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from typing import Any

import construct as c
import pytest
from construct import this

from loamline_codecs import Codec, CodecSet, Match, Quantity, Refusal
from loamline_codecs.agreement import differences
from loamline_codecs.validation import problems

_MEANINGLESS = (
    "expected a quantity, a bound or an expression that uses this field, got a field without meaning; "
    "map it in a Quantity, or declare its bits as Padding"
)
_SUPPLY = Quantity("supply_v", "supply", "V")


def codec(*fields: Any, **more: Any) -> Codec:
    """Return a codec whose layout ends with `supply`, which is mapped, read row by row."""
    layout = c.Struct(*fields, "supply" / c.Int8ub)
    declared = Codec("bench-v1", "A test bench's.", "status", Match(7, 0, 0), layout, (_SUPPLY,), row_by_row=True)
    return dataclasses.replace(declared, **more)


class Tenths(c.Adapter):  # type: ignore[misc]
    """A node of an author's own."""

    def __init__(self, subcon: Any, parts: int = 10) -> None:
        super().__init__(subcon)
        self.parts = parts

    def _decode(self, obj: Any, _context: Any, _path: Any) -> Any:
        return obj / self.parts


class Hundredths(Tenths):
    """The same with another method."""

    def _decode(self, obj: Any, _context: Any, _path: Any) -> Any:
        return obj / 100


_N = "n" / c.Int8ub
_OTHER_NODES: list[tuple[Any, ...]] = [
    (_N, "x" / c.If(lambda ctx: ctx.n > 9, c.Padding(1))),
    (_N, "x" / c.Array(lambda ctx: ctx["n"], c.Padding(1))),
    (c.Prefixed(c.Int8ub, c.GreedyRange(c.Const(1, c.Int8ub))),),
    ("x" / c.Pointer(0, c.Const(1, c.Int8ub)),),
    (c.RepeatUntil(lambda x, _list, _context: x == 0, c.Padding(1)),),
    (_N, c.StopIf(this.n == 0)),
    ("x" / c.Optional(c.Const(1, c.Int8ub)),),
]


@pytest.mark.parametrize("fields", _OTHER_NODES)
def test_nodes_that_are_no_columns_are_allowed_where_the_author_says_so(fields: tuple[Any, ...]) -> None:
    assert CodecSet([codec(*fields)]).codecs[0].row_by_row


def test_a_quantity_may_come_from_an_authors_own_node() -> None:
    own = codec(quantities=(_SUPPLY,), layout=c.Struct("supply" / Tenths(c.Int8ub)))
    message = CodecSet([own]).parse(7, bytes([25]))
    assert getattr(message, "uplink", None) == {"supply_v": 2.5}


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        (
            ("x" / c.Bytes(3),),
            f"x: {_MEANINGLESS}",
        ),
        (
            ("x" / c.Optional(c.Int8ub),),
            f"x: {_MEANINGLESS}",
        ),
        (
            ("x" / Tenths(c.Int8ub), _N, c.If(lambda ctx: ctx.n, c.Padding(1))),
            f"x: {_MEANINGLESS}",
        ),
        (
            (_N, c.Check(lambda ctx: ctx.n), "y" / c.Switch(this.n & 1, {2: c.Padding(1)})),
            (
                "y: expected cases among the values that (this['n'] & 1) can have, 0, 1, got case 2, which is never "
                "reached; correct or remove it"
            ),
        ),
        (
            (c.Prefixed(c.Int8ub, c.GreedyBytes),),
            (
                "after fields of varying length: expected every bit to be accounted for, got bytes without a name; "
                "name "
                "and map them, or declare them as Padding"
            ),
        ),
    ],
)
def test_every_other_rule_still_holds(fields: tuple[Any, ...], problem: str) -> None:
    assert list(problems(codec(*fields))) == [problem]


def test_a_quantity_does_not_come_from_bytes() -> None:
    assert list(problems(codec(layout=c.Struct("supply" / c.Bytes(2))))) == [
        "supply_v: expected a number, got 'supply', which is a bytes; cite a field that holds a number"
    ]


# The digest ---------------------------------------------------------------------------------------------


def _above(limit: int) -> Any:
    return lambda ctx: ctx.n > limit


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (c.If(lambda ctx: ctx.n > 9, c.Padding(1)), c.If(lambda ctx: ctx.n > 8, c.Padding(1))),
        (c.If(lambda ctx: ctx.n > 9, c.Padding(1)), c.If(lambda ctx: ctx.m > 9, c.Padding(1))),
        (c.If(lambda ctx: ctx.n > 9, c.Padding(1)), c.If(lambda ctx: ctx.n < 9, c.Padding(1))),
        (c.If(_above(1), c.Padding(1)), c.If(_above(2), c.Padding(1))),
        (c.ExprAdapter(c.Int8ub, c.obj_ + 1, c.obj_ - 1), c.ExprAdapter(c.Int8ub, c.obj_ + 2, c.obj_ - 2)),
        (c.Prefixed(c.Int8ub, c.GreedyBytes), c.Prefixed(c.Int16ub, c.GreedyBytes)),
        (c.Pointer(1, c.Int8ub), c.Pointer(2, c.Int8ub)),
        (c.Bytes(1), c.Bytes(2)),
        (Tenths(c.Int8ub), Tenths(c.Int8ub, 20)),
        (Tenths(c.Int8ub), Hundredths(c.Int8ub)),
        (c.Select(c.Int8ub, c.Int16ub), c.Select(c.Int16ub, c.Int8ub)),
        (c.Transformed(c.Int8ub, bytes, 1, bytes, 1), c.Transformed(c.Int8ub, bytearray, 1, bytes, 1)),
        (c.Int8ub * (lambda _value, _context: None), c.Int8ub * print),
    ],
)
def test_a_digest_changes_with_what_such_a_node_does(one: Any, other: Any) -> None:
    first, second = (codec("n" / c.Int8ub, "m" / c.Int8ub, "x" / node).digest for node in (one, other))
    assert first != second


def test_words_about_such_a_node_and_what_it_keeps_to_itself_change_no_digest() -> None:
    plain, told = Tenths(c.Int8ub), Tenths(c.Int8ub)
    told.docs, told._seen = "tenths of one", 3
    assert codec("x" / plain).digest == codec("x" / told).digest


def test_a_digest_is_the_same_in_another_process() -> None:
    """No address and no order of a set gets into it."""
    program = (
        "import construct as c\n"
        "from loamline_codecs import Codec, Match\n"
        "layout = c.Struct('n' / c.If(lambda ctx: ctx.k in {'a', 'b', 'c'}, c.Int8ub),\n"
        "    c.Pointer(lambda ctx: 1, c.Byte),\n"
        "    'e' / c.ExprAdapter(c.Int8ub, c.obj_ + 1, None), 's' / c.Optional(c.Mapping(c.Byte, {'x': 1})))\n"
        "print(Codec('bench', 'd', 'status', Match(7, 0, 0), layout, (), row_by_row=True).digest)"
    )
    runs = {
        subprocess.run(
            [sys.executable, "-c", program],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(sys.path)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(runs) == 1


class Spelled(c.Adapter):  # type: ignore[misc]
    """A node that gives what is no number."""

    def _decode(self, obj: Any, _context: Any, _path: Any) -> Any:
        return f"{obj} of something"


@pytest.mark.parametrize(
    "node",
    [c.Check(lambda ctx: ctx.nope > 1), "x" / c.If(lambda ctx: ctx.supply_of_another > 1, c.Padding(1))],
)
def test_an_error_in_the_layouts_own_code_refuses_the_payload(node: Any) -> None:
    codecs = CodecSet([codec(node)])
    refusal = codecs.parse(7, b"\x05")
    assert isinstance(refusal, Refusal)
    assert refusal.detail.startswith("codec bench-v1: expected the layout's own code to read it, got AttributeError(")
    assert differences(codecs, [7] * 40, [b"\x05"] * 40) == []


def test_a_value_that_is_no_number_refuses_the_payload() -> None:
    text = codec(match=Match(7, 0, 0), layout=c.Struct("supply" / Spelled(c.Int8ub)))
    refusal = CodecSet([text]).parse(7, b"\x05")
    assert isinstance(refusal, Refusal)
    assert "5 of something" in refusal.detail
