"""Python's arithmetic in JavaScript: division, remainder, powers, shifts and bit operations.

Every whole number's range is known: JavaScript's numbers are exact up to 2^53 and its bit operations hold for 32 bits.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from construct.expr import ExprMixin

from loamline_codecs.script.names import literal
from loamline_codecs.script.shape import EXACT, FLAG, FLOAT, whole
from loamline_codecs.script.term import Scope, Term, ends, exact


def arithmetic(op: Any, sign: str, left: Term, right: Term, expression: Any, scope: Scope) -> Term:
    """Return `left op right` for operands that are numbers."""
    if op in _BITWISE:
        return _bitwise(op, left, right, scope)
    floats = "float" in left.shape.kinds | right.shape.kinds
    if op in _BY_CONSTANT:
        constant = expression.rhs
        if isinstance(constant, ExprMixin):
            scope.fail(f"a constant on the right of {sign}", repr(constant))
        return exact(_BY_CONSTANT[op](left, constant, floats, scope), expression, scope)
    code = f"{left.bracketed} {sign} {right.bracketed}"
    safe = left.safe and right.safe
    if floats:
        return Term(code, FLOAT, compound=True, safe=safe)
    results = [op(a, b) for a in ends(left) for b in ends(right)]
    if op is operator.mul and min(*ends(left), *ends(right)) < 0:
        code += " + 0"  # no zero with a sign
    return exact(Term(code, whole(min(results), max(results)), compound=True, safe=safe), expression, scope)


def _divided(left: Term, constant: Any, _: bool, scope: Scope) -> Term:
    if constant == 0:
        scope.fail("a divisor", "0")
    return Term(f"{left.bracketed} / {literal(constant)}", FLOAT, compound=True, safe=left.safe)


def _floored(left: Term, constant: Any, floats: bool, scope: Scope) -> Term:
    if constant == 0:
        scope.fail("a divisor", "0")
    if floats:
        return Term(f"floorDivide({left.code}, {literal(constant)})", FLOAT, safe=left.safe)
    low, high = sorted(end // int(constant) for end in ends(left))
    code = f"Math.floor({left.bracketed} / {int(constant)})"
    return Term(code if constant > 0 else f"{code} + 0", whole(low, high), compound=constant < 0, safe=left.safe)


def _remainder(left: Term, constant: Any, floats: bool, scope: Scope) -> Term:
    if constant == 0:
        scope.fail("a divisor", "0")
    if floats:
        return Term(f"modulo({left.code}, {literal(constant)})", FLOAT, safe=left.safe)
    low, high = min(0, int(constant) + 1), max(0, int(constant) - 1)
    if left.shape.low >= 0 and constant > 0:
        return Term(f"{left.bracketed} % {int(constant)}", whole(low, high), compound=True, safe=left.safe)
    return Term(f"modulo({left.code}, {int(constant)})", whole(low, high), safe=left.safe)


def _raised(left: Term, constant: Any, floats: bool, scope: Scope) -> Term:
    if floats or constant < 0:
        scope.fail("a whole number to a power of 0 or more", f"** {constant!r}")
    most = max(abs(end) for end in ends(left)) ** int(min(constant, EXACT.bit_length()))
    shape = whole(-max(1, most) if left.shape.low < 0 else 0, max(1, most))
    return Term(f"power({left.code}, {int(constant)})", shape, safe=left.safe)


def _shifted_up(left: Term, constant: Any, floats: bool, scope: Scope) -> Term:
    places = _places(constant, floats, scope)
    low, high = (end << places for end in ends(left))
    return Term(f"{left.bracketed} * {1 << places}", whole(low, high), compound=True, safe=left.safe)


def _shifted_down(left: Term, constant: Any, floats: bool, scope: Scope) -> Term:
    places = _places(constant, floats, scope)
    low, high = (end >> places for end in ends(left))
    return Term(f"Math.floor({left.bracketed} / {1 << places})", whole(low, high), safe=left.safe)


def _places(constant: Any, floats: bool, scope: Scope) -> int:
    if floats or not 0 <= constant <= EXACT.bit_length():
        scope.fail(f"a shift of whole numbers by 0 to {EXACT.bit_length()} bits", repr(constant))
    return int(constant)


def _bitwise(op: Callable[[Any, Any], Any], left: Term, right: Term, scope: Scope) -> Term:
    sign, helper = _BITWISE[op]
    kinds, safe = left.shape.kinds | right.shape.kinds, left.safe and right.safe
    if "float" in kinds:
        scope.fail(f"whole numbers on both sides of {sign}", "a float")
    if kinds == {"flag"}:
        if sign == "^":
            return Term(f"{left.bracketed} !== {right.bracketed}", FLAG, compound=True, safe=safe)
        if right.safe:
            return Term(f"{left.bracketed} {sign}{sign} {right.bracketed}", FLAG, compound=True, safe=safe)
        return Term(f"Boolean({left.bracketed} {sign} {right.bracketed})", FLAG, safe=safe)
    both = (*ends(left), *ends(right))
    bits = max(end.bit_length() for end in both)
    shape = whole(-(1 << bits) if min(both) < 0 else 0, (1 << bits) - 1)
    above_zero = [value.shape.high for value in (left, right) if value.shape.low >= 0]
    if sign == "&" and above_zero:
        shape = whole(0, min(above_zero))
    if min(both) >= -(1 << 31) and max(both) < 1 << 31:
        return Term(f"{left.bracketed} {sign} {right.bracketed}", shape, compound=True, safe=safe)
    return Term(f"{helper}({left.code}, {right.code})", shape, safe=safe)


_BITWISE: dict[Any, tuple[str, str]] = {
    operator.and_: ("&", "bitAnd"),
    operator.or_: ("|", "bitOr"),
    operator.xor: ("^", "bitXor"),
}

_BY_CONSTANT: dict[Any, Callable[[Term, Any, bool, Scope], Term]] = {
    operator.truediv: _divided,
    operator.floordiv: _floored,
    operator.mod: _remainder,
    operator.pow: _raised,
    operator.lshift: _shifted_up,
    operator.rshift: _shifted_down,
}
