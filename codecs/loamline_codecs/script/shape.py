"""What is known of a value before any payload is there: kind, range, fields; so that JavaScript's numbers suffice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

#: Whole numbers up to here are exact in JavaScript, whose numbers are doubles.
EXACT = 1 << 53
#: The widest field that is read exactly, in bits.
WIDEST_BITS = 53
#: More elements than any payload holds.
MANY = 1 << 20


@dataclass(frozen=True)
class Shape:
    """What a value may be; several of these at once where the payload decides.

    `kinds`: a number, of "flag" (true or false), "whole" and "float"; `low` to `high` is the range of flags and
    whole numbers. `fields`: a section. `items`: a list, of `count` (least, greatest) elements. `absent`: null.
    `missing`: not even there, since only another case of a switch has it. `named`: an Enum.
    """

    kinds: frozenset[str] = frozenset()
    low: int = 0
    high: int = 0
    named: bool = False
    fields: Mapping[str, Shape] | None = None
    items: Shape | None = None
    count: tuple[int, int] = (0, 0)
    absent: bool = False
    missing: bool = False

    @property
    def optional(self) -> bool:
        """Whether there may be nothing."""
        return self.absent or self.missing

    @property
    def is_number(self) -> bool:
        """Whether this is a number wherever it is there."""
        return bool(self.kinds) and self.fields is None and self.items is None


ABSENT = Shape(absent=True)
MISSING = Shape(missing=True)
FLAG = Shape(frozenset({"flag"}), 0, 1)
FLOAT = Shape(frozenset({"float"}))
INDEX = Shape(frozenset({"whole"}), 0, MANY)


def whole(low: int, high: int) -> Shape:
    """Return the shape of a whole number from `low` to `high`."""
    return Shape(frozenset({"whole"}), low, high)


def integer(bits: int, *, signed: bool) -> Shape:
    """Return the shape of a whole number of so many bits."""
    return whole(-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else whole(0, (1 << bits) - 1)


def named(shape: Shape) -> Shape:
    """Return the shape of an Enum over `shape`."""
    return replace(shape, named=True)


def either(*shapes: Shape) -> Shape:
    """Return the shape of a value that has one of `shapes`."""
    numbers = [shape for shape in shapes if shape.kinds - {"float"}]
    sections = [shape.fields for shape in shapes if shape.fields is not None]
    lists = [shape for shape in shapes if shape.items is not None]
    names = dict.fromkeys(name for fields in sections for name in fields)
    return Shape(
        frozenset().union(*(shape.kinds for shape in shapes)),
        min((shape.low for shape in numbers), default=0),
        max((shape.high for shape in numbers), default=0),
        any(shape.named for shape in shapes),
        {name: either(*(fields.get(name, MISSING) for fields in sections)) for name in names} if sections else None,
        either(*(shape.items for shape in lists if shape.items is not None)) if lists else None,
        (min((shape.count[0] for shape in lists), default=0), max((shape.count[1] for shape in lists), default=0)),
        any(shape.absent for shape in shapes),
        any(shape.missing for shape in shapes),
    )


def of_constant(value: Any) -> Shape | None:
    """Return the shape of a constant, None where JavaScript has no equal to it."""
    if value is None:
        return ABSENT
    if isinstance(value, bool):
        return Shape(frozenset({"flag"}), int(value), int(value))
    if isinstance(value, int):
        return whole(int(value), int(value)) if abs(value) <= EXACT else None
    if isinstance(value, float) and math.isfinite(value):
        return FLOAT
    return None


def describe(shape: Shape) -> str:
    """Return in words what a value is, for a sentence that says why it can't be used."""
    if shape.named:
        return "an Enum"
    if shape.fields is not None:
        return "a section"
    if shape.items is not None:
        return "a list"
    return "a float" if "float" in shape.kinds else "a whole number" if shape.kinds else "nothing"
