"""`this` expressions, resolved once while a plan is made: what is left are functions of the values read so far.

A value is a number when one payload is read and a column when a batch is. Both give the same results: what
NumPy would calculate otherwise than Python (a whole number beyond 64 bits, a division by zero) is left to the
scalar parser.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from construct.expr import BinExpr, ExprMixin, UniExpr

#: What an expression over odd data may raise, in construct's evaluation as in this one.
FAULTS = (ArithmeticError, LookupError, TypeError, ValueError)

Values = Sequence[Any]
#: The least and greatest whole number that a value can be; None for a float.
Bounds = tuple[int, int] | None

#: Whole numbers up to here are exact as doubles.
_EXACT = 1 << 53
_WIDEST = (-(1 << 63), (1 << 63) - 1)


class Unplanned(Exception):  # noqa: N818 - a signal to the planner, no error
    """What a plan can't say as columns; the rows go to the scalar parser."""


@dataclass(frozen=True)
class Symbol:
    """A value that is known only when a payload is read.

    `key` says what it is made of, so that equal symbols are known as equal; `slots` are the steps it takes values
    of; `of` gives it from those values. `slot` names the one whose value it is, None for what is calculated.
    """

    key: str
    slots: frozenset[int]
    bounds: Bounds
    of: Callable[[Values], Any]
    slot: int | None = None


def slot(index: int, bounds: Bounds) -> Symbol:
    """Return the symbol of the value that a plan's step gives."""
    return Symbol(f"s{index}", frozenset({index}), bounds, lambda values: widened(values[index]), index)


def element(whole: Symbol, index: int) -> Symbol:
    """Return one element's value of a slot that holds a list: of numbers, or of columns of shape (n,)."""
    key = f"{whole.key}[{index}]"
    return Symbol(key, whole.slots, whole.bounds, lambda values: whole.of(values)[index])


def widened(value: Any) -> Any:
    """Return whole numbers as 64 bits wide: narrow ones would wrap, and flags add up to a flag."""
    return value.astype(np.int64) if isinstance(value, np.ndarray) and value.dtype.kind in "uib" else value


def resolve(expression: Any, context: Mapping[str, Any]) -> Any:
    """Return what an expression is in a context of symbols and constants: a symbol, a constant, or a tree of them.

    Raises one of `FAULTS` where construct would for every payload, Unplanned for what columns can't say.
    """
    kind = type(expression)
    if kind is BinExpr:
        return _binary(expression.op, resolve(expression.lhs, context), resolve(expression.rhs, context))
    if kind is UniExpr:
        return _unary(expression.op, resolve(expression.operand, context))
    return expression(context) if isinstance(expression, ExprMixin) else expression


def _unary(op: Callable[[Any], Any], value: Any) -> Any:
    if not isinstance(value, Symbol):
        return op(value)
    of = value.of
    if op is operator.not_:  # which has no meaning on an array
        return Symbol(f"not {value.key}", value.slots, (0, 1), lambda values: widened(_negated(of(values))))
    bounds = value.bounds
    if op is operator.neg and bounds is not None:
        bounds = _fitting((-bounds[1], -bounds[0]))
    return Symbol(f"{op.__name__}({value.key})", value.slots, bounds, lambda values: op(of(values)))


def _negated(value: Any) -> Any:
    return np.logical_not(value) if isinstance(value, np.ndarray) else not value


def _binary(op: Callable[[Any, Any], Any], left: Any, right: Any) -> Any:
    if not isinstance(left, Symbol) and not isinstance(right, Symbol):
        return op(left, right)
    bounds = _bounds(op, _known(left), _known(right), right)
    key = f"{op.__name__}({_key(left)},{_key(right)})"
    slots = frozenset().union(*(side.slots for side in (left, right) if isinstance(side, Symbol)))
    of_left, of_right = _of(left), _of(right)
    return Symbol(key, slots, bounds, lambda values: widened(op(of_left(values), of_right(values))))


def _key(side: Any) -> str:
    return side.key if isinstance(side, Symbol) else repr(side)


def _of(side: Any) -> Callable[[Values], Any]:
    return side.of if isinstance(side, Symbol) else lambda _: side


def _known(side: Any) -> Bounds:
    if isinstance(side, Symbol):
        return side.bounds
    if isinstance(side, float):
        return None
    if isinstance(side, int):
        return int(side), int(side)
    raise Unplanned


def _fitting(bounds: tuple[int, int]) -> tuple[int, int]:
    if bounds[0] < _WIDEST[0] or bounds[1] > _WIDEST[1]:
        raise Unplanned
    return bounds


_COMPARISONS = frozenset({operator.gt, operator.ge, operator.lt, operator.le, operator.eq, operator.ne})
_BITWISE = frozenset({operator.and_, operator.or_, operator.xor})
_CORNERS = {operator.add, operator.sub, operator.mul}


def _bounds(op: Any, left: Bounds, right: Bounds, divisor: Any) -> Bounds:  # noqa: PLR0911 - one line an operator
    """Return the range of a result; raises Unplanned where a column might differ from a number."""
    if op in _COMPARISONS:
        _require_same_kind(left, right)
        return 0, 1
    if left is None or right is None or op is operator.truediv:
        if op not in (operator.add, operator.sub, operator.mul, operator.truediv):
            raise Unplanned
        _require_doubles(left, right)
        return None
    if op in _CORNERS:
        corners = [op(a, b) for a in left for b in right]
        return _fitting((min(corners), max(corners)))
    if op in _BITWISE:
        if op is operator.and_ and max(left[0], right[0]) >= 0:
            return 0, min(high for low, high in (left, right) if low >= 0)
        bits = max(number.bit_length() for number in (*left, *right))
        return (0 if min(left[0], right[0]) >= 0 else -(1 << bits)), (1 << bits) - 1
    # What is left has a constant on the right; loading sees to that.
    if isinstance(divisor, Symbol) or divisor < (0 if op in (operator.lshift, operator.rshift, operator.pow) else 1):
        raise Unplanned
    if op is operator.mod:
        return 0, divisor - 1
    corners = [op(number, divisor) for number in (*left, 0)]
    if op is operator.pow and divisor > 0:
        corners += [-abs(corner) for corner in corners if left[0] < 0]
    return _fitting((min(corners), max(corners)))


def _require_same_kind(left: Bounds, right: Bounds) -> None:
    if (left is None) != (right is None):
        _require_doubles(left, right)


def _require_doubles(*sides: Bounds) -> None:
    if any(side is not None and max(map(abs, side)) >= _EXACT for side in sides):
        raise Unplanned
