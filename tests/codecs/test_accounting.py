"""Every bit and every branch of a layout says something, or the codec is refused on loading: whole sentences."""

from __future__ import annotations

from typing import Any

import construct as c
import pytest
from construct import this

from loamline_codecs import Codec, CodecSet, DeclarationError, Match, Quantity, SampleGroup
from loamline_codecs.declaration import Bound
from loamline_codecs.validation import problems

_SUPPLY = Quantity("supply_v", "supply", "V")
_EVERYTHING = Match(7, 0, 0)
_MEANINGLESS = (
    "expected a quantity, a bound or an expression that uses this field, got a field without meaning; "
    "map it in a Quantity, or declare its bits as Padding"
)
_NAMELESS = "without a name; name and map them, or declare them as Padding"


def codec(*fields: Any, match: Match = _EVERYTHING, **more: Any) -> Codec:
    """Return a codec whose layout ends with `supply`, which is mapped."""
    layout = c.Struct(*fields, "supply" / c.Int8ub)
    return Codec("bench-v1", "A test bench's.", "status", match, layout, (_SUPPLY,), **more)


def told(one: Codec) -> list[str]:
    """Return every fault of a codec, and check that loading tells the first."""
    found = list(problems(one))
    if found:
        with pytest.raises(DeclarationError) as caught:
            CodecSet([one])
        assert str(caught.value) == f"codec {one.name}: {found[0]}"
    else:
        assert CodecSet([one]).codecs == (one,)
    return found


# Bits ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        (("spare" / c.Int8ub,), f"spare: {_MEANINGLESS}"),
        (("head" / c.BitStruct(c.Padding(3), "spare" / c.BitsInteger(5)),), f"head.spare: {_MEANINGLESS}"),
        (("all" / c.Array(2, c.Int8ub),), f"all: {_MEANINGLESS}"),
        (("spare" / c.Enum(c.Int8ub, on=1),), f"spare: {_MEANINGLESS}"),
        (("spare" / c.Default(c.Int8ub, 1),), f"spare: {_MEANINGLESS}"),
        ((c.Int8ub,), f"byte 0: expected every bit to be accounted for, got 1 byte {_NAMELESS}"),
        (
            (c.Padding(2), c.Int24ub),
            f"bytes 2 to 4: expected every bit to be accounted for, got 3 bytes {_NAMELESS}",
        ),
        (
            (c.BitStruct(c.Padding(7), c.Flag),),
            f"bit 7: expected every bit to be accounted for, got 1 bit {_NAMELESS}",
        ),
        (
            (c.Padding(1), c.BitStruct(c.Padding(3), c.BitsInteger(13))),
            f"bits 11 to 23: expected every bit to be accounted for, got 13 bits {_NAMELESS}",
        ),
        (
            ("n" / c.Int8ub, c.Padded(this.n, c.Pass), c.Int8ub),
            f"after fields of varying length: expected every bit to be accounted for, got 1 byte {_NAMELESS}",
        ),
        (
            ("n" / c.Int8ub, "all" / c.Array(this.n, c.Struct(c.Int8ub))),
            f"in all: expected every bit to be accounted for, got 1 byte {_NAMELESS}",
        ),
    ],
)
def test_a_bit_that_says_nothing_is_refused(fields: tuple[Any, ...], problem: str) -> None:
    assert told(codec(*fields)) == [problem]


def test_a_field_of_two_branches_is_told_once() -> None:
    assert told(codec("f" / c.Flag, "x" / c.IfThenElse(this.f, c.Int8ub, c.Int16ub))) == [f"x: {_MEANINGLESS}"]


@pytest.mark.parametrize(
    "fields",
    [
        ("version" / c.Const(1, c.Int8ub), c.Const(2, c.Int8ub)),
        ("gap" / c.Padding(2), c.BitStruct(c.Padding(8))),
        ("n" / c.Int8ub, "gap" / c.Padded(this.n, c.Pass)),
        ("f" / c.Flag, "gap" / c.If(this.f, c.Padding(1))),
        ("head" / c.BitStruct("n" / c.BitsInteger(8)), "gap" / c.Padded(this.head.n & 3, c.Pass)),
        ("crc" / c.Int8ub, "a" / c.Computed(this.crc + 1), c.Check(this.a < 9)),
        ("a" / c.Int8ub, "s" / c.Struct(c.Check(this._.a == 7)), "b" / c.Int8ub, "t" / c.Struct(c.Check(this._root.b))),
        ("all" / c.Array(2, c.Int8ub), c.Check(this.all[0] < this.all[1])),
        ("all" / c.Array(2, c.Int8ub), c.Check(c.len_(this.all) == 2)),
        ("pair" / c.Sequence("n" / c.Int8ub, c.If(this.n > 9, c.Padding(1))),),
    ],
)
def test_constants_filling_and_what_decides_the_layout_need_no_quantity(fields: tuple[Any, ...]) -> None:
    assert told(codec(*fields)) == []


def test_switches_intervals_and_bounds_give_a_field_its_meaning() -> None:
    count = Quantity("moisture_count", "count", "{count}", switch="has")
    layout = (
        "has" / c.Flag,
        "minutes" / c.Int8ub,
        "kind" / c.Int8ub,
        "all" / c.Array(2, c.Struct("count" / c.Int8ub)),
    )
    samples = (SampleGroup((count,), "all", 0, "minutes"),)
    bounds = (Bound("kind", 1, 3),)
    assert told(codec(*layout, samples=samples, bounds=bounds, longest_age_minutes=255)) == []


def test_what_only_building_reads_gives_a_field_no_meaning() -> None:
    n = "n" / c.Rebuild(c.Int8ub, c.len_(this.all))
    assert told(codec(n, "all" / c.Array(this.n & 1, c.Int8ub))) == [f"all: {_MEANINGLESS}"]


# Names and expressions ----------------------------------------------------------------------------------


def test_two_fields_of_one_name_are_refused() -> None:
    """construct would keep the last alone."""
    assert told(codec("supply" / c.Int8ub)) == [
        "supply: expected one field of this name in its section, got 2; rename all but one"
    ]
    inside = c.BitStruct("a" / c.Nibble, "a" / c.Nibble)
    assert told(codec("s" / inside, c.Check(this.s.a == 1)))[0] == (
        "s.a: expected one field of this name in its section, got 2; rename all but one"
    )


def test_an_expression_over_no_field_is_refused() -> None:
    assert told(codec("all" / c.Array(this.m, c.Padding(1)))) == [
        "all: expected a field of the layout, got this['m']; spell it as the layout does"
    ]


# Constants and the match rule ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "match", "problem"),
    [
        (
            "version" / c.Const(2, c.Int8ub),
            Match(7, 8, 1),
            (
                "version: expected a constant whose bits are those that the match rule asks for, 00000001, got 2, "
                "which "
                "begins with 00000010"
            ),
        ),
        (
            "head" / c.BitStruct("gap" / c.Padding(1), "version" / c.Const(5, c.BitsInteger(3)), c.Padding(4)),
            Match(7, 3, 1),
            (
                "head.version: expected a constant whose bits are those that the match rule asks for, 01, got 5, which "
                "begins with 10"
            ),
        ),
        (
            c.Const(0x0102, c.Int16ul),
            Match(7, 4, 1),
            (
                "(0): expected a constant whose bits are those that the match rule asks for, 0001, got 258, which "
                "begins "
                "with 0000"
            ),
        ),
    ],
)
def test_a_constant_that_the_match_rule_contradicts_is_refused(first: Any, match: Match, problem: str) -> None:
    assert told(codec(first, match=match)) == [
        f"{problem}: the codec could read nothing; correct the constant or the match rule"
    ]


@pytest.mark.parametrize(
    ("first", "match"),
    [
        (c.Const(0x0102, c.Int16ub), Match(7, 8, 1)),
        (c.Const(-1, c.Int8sb), Match(7, 3, 7)),
        (c.BitStruct(c.Const(2, c.Nibble), c.Const(9, c.Nibble)), Match(7, 4, 2)),
        (c.Const(9, c.Int8ub), Match(7, 0, 0)),
    ],
)
def test_a_constant_that_the_match_rule_lets_through_is_loaded(first: Any, match: Match) -> None:
    assert told(codec(first, match=match)) == []


def test_a_constant_that_its_field_cannot_hold_is_refused() -> None:
    assert told(codec("version" / c.Const(300, c.Int8ub))) == [
        "version: expected a constant that the field can hold, got 300; widen the field or correct the constant"
    ]


# Branches -----------------------------------------------------------------------------------------------

_KEY = "k" / c.Int8ub


def _switch(key: Any, *cases: Any, default: Any = c.Pass) -> Any:
    return "x" / c.Switch(key, dict.fromkeys(cases, c.Padding(1)), default)


@pytest.mark.parametrize(
    ("fields", "got"),
    [
        ((_KEY, _switch(this.k, 1, 256)), "this['k'] can have, 0 to 255, got case 256"),
        ((_KEY, _switch(this.k & 5, 0, 2)), "(this['k'] & 5) can have, 0, 1, 4, 5, got case 2"),
        ((_KEY, _switch(this.k >> 6, 3, 4)), "(this['k'] >> 6) can have, 0, 1, 2, 3, got case 4"),
        (
            ("k" / c.Int32ub, _switch(this.k & 5, 2)),
            "(this['k'] & 5) can have, 0, 1, 4, 5, got case 2",
        ),
        (("k" / c.Int32ub, _switch(this.k >> 30, 4)), "(this['k'] >> 30) can have, 0 to 3, got case 4"),
        (
            ("h" / c.BitStruct(c.Padding(6), "k" / c.BitsInteger(2)), _switch(this.h.k, 1, 4)),
            "this['h']['k'] can have, 0 to 3, got case 4",
        ),
        (("f" / c.Flag, _switch(this.f, 1, 2)), "this['f'] can have, 0 to 1, got case 2"),
        (
            (_KEY, "half" / c.Computed(this.k >> 1), _switch(this.half & 0x7F, 128)),
            "(this['half'] & 127) can have, 0, 1, 2, 3, 4, 5, 6, 7, ..., got case 128",
        ),
        (
            ("f" / c.Flag, "k" / c.If(this.f, c.Int8ub), _switch(this.k, None, 256)),
            "this['k'] can have, 0 to 255, got case 256",
        ),
    ],
)
def test_a_case_that_no_payload_reaches_is_refused(fields: tuple[Any, ...], got: str) -> None:
    assert told(codec(*fields)) == [
        f"x: expected cases among the values that {got}, which is never reached; correct or remove it"
    ]


def test_a_bound_or_the_match_rule_leaves_cases_out_of_reach() -> None:
    assert told(codec(_KEY, _switch(this.k, 1, 9), bounds=(Bound("k", 0, 3),))) == [
        (
            "x: expected cases among the values that this['k'] can have, 0 to 3, got case 9, which is never "
            "reached; "
            "correct or remove it"
        )
    ]
    assert told(codec(_KEY, _switch(this.k, 0x20, 0x30), match=Match(7, 4, 2))) == [
        (
            "x: expected cases among the values that this['k'] can have, 32 to 47, got case 48, which is never "
            "reached; "
            "correct or remove it"
        )
    ]


def test_a_default_beside_cases_for_every_value_is_refused() -> None:
    flag = "f" / c.Flag
    assert told(codec(flag, _switch(this.f, 1, 0, default=c.Padding(2)))) == [
        "x: expected a default that some payload reaches, got one beside cases for all values of this['f']; remove it"
    ]
    assert told(codec(flag, _switch(this.f, 1, 0))) == []


@pytest.mark.parametrize(
    ("section", "got"),
    [
        (c.If(True, c.Padding(1)), "True, which is always true"),  # noqa: FBT003
        (c.If(this.k < 256, c.Padding(1)), "(this['k'] < 256), which is always true"),
        (c.If(this.k & 0, c.Padding(1)), "(this['k'] & 0), which is always false"),
        (c.If(~(this.k >= 0), c.Padding(1)), "not (this['k'] >= 0), which is always false"),
    ],
)
def test_a_condition_that_is_always_the_same_is_refused(section: Any, got: str) -> None:
    assert told(codec(_KEY, c.Check(this.k >= 0), "x" / section)) == [
        (
            f"x: expected a condition that depends on the payload, got {got}; "
            "declare the section that is read without a condition"
        )
    ]


@pytest.mark.parametrize(
    ("key", "got"), [(1, "1, which is always 1"), (this.k & 0, "(this['k'] & 0), which is always 0")]
)
def test_a_switch_that_is_always_the_same_is_refused(key: Any, got: str) -> None:
    assert told(codec(_KEY, c.Check(this.k >= 0), _switch(key, 0, 1))) == [
        f"x: expected a switch that depends on the payload, got {got}; declare the case that is read without a switch"
    ]


def test_a_condition_on_a_section_that_may_be_absent_depends_on_the_payload() -> None:
    fields = ("f" / c.Flag, "k" / c.If(this.f, c.Const(1, c.Int8ub)), "x" / c.If(this.k, c.Padding(1)))
    assert told(codec(*fields)) == []
