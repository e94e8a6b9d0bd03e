"""`this` expressions as JavaScript ones, with Python's meaning, or a sentence where that can't be."""

from __future__ import annotations

import operator
from typing import Any

from construct.expr import BinExpr, ExprMixin, FuncPath, Path, UniExpr, opnames

from loamline_codecs.script.arithmetic import arithmetic
from loamline_codecs.script.names import literal, member
from loamline_codecs.script.shape import ABSENT, FLAG, FLOAT, MISSING, describe, of_constant, whole
from loamline_codecs.script.term import Scope, Term, exact, operand, truth


def term(expression: Any, scope: Scope) -> Term:
    """Return what `expression` is in JavaScript. Raises DeclarationError for what can't be said there."""
    kind = type(expression)
    if kind is BinExpr:
        return _binary(expression, scope)
    if kind is UniExpr:
        return _unary(expression, scope)
    if kind is Path:
        return _path(expression, scope)
    if kind is FuncPath:
        return _function(expression, scope)
    shape = of_constant(expression)
    if shape is None or isinstance(expression, ExprMixin):
        scope.fail("fields, numbers and operators", repr(expression))
    return Term(literal(expression), shape)


def condition(expression: Any, scope: Scope) -> Term:
    """Return an expression as true or false, as Python would take it."""
    return truth(term(expression, scope), expression, scope)


def number(expression: Any, scope: Scope) -> Term:
    """Return an expression as a whole number or flag, to count or measure by."""
    value = operand(term(expression, scope), expression, scope)
    if "float" in value.shape.kinds:
        scope.fail("a whole number", f"{expression!r}, which may be a float")
    return value


def equal(left: Term, right: Term, *, negated: bool = False) -> Term:
    """Return whether two terms are equal (or not, where `negated`), as Python has it: a flag equals 0 or 1."""
    kinds = left.shape.kinds | right.shape.kinds
    sign = ("!=" if negated else "==") + ("" if kinds > {"flag"} else "=")
    return Term(f"{left.bracketed} {sign} {right.bracketed}", FLAG, compound=True, safe=left.safe and right.safe)


# Paths ---------------------------------------------------------------------------------------------------


def _path(expression: Path, scope: Scope) -> Term:
    steps: list[Any] = []
    while vars(expression)["_Path__parent"] is not None:
        steps.insert(0, vars(expression)["_Path__field"])
        expression = vars(expression)["_Path__parent"]
    at = len(scope.frames) - 1
    while steps and steps[0] in ("_", "_root"):
        step = steps.pop(0)
        at = at - 1 if step == "_" else 1
        if not 0 <= at < len(scope.frames):
            scope.fail("a section that is being read", f"this.{step}")
    if not steps:
        scope.fail("a field", "a whole section")
    frame, first = scope.frames[at], steps.pop(0)
    if first == "_index" and frame.index != MISSING:
        found = Term(frame.index_var if frame.index.kinds else "null", frame.index)
    elif first in frame.fields:
        found = Term(member(frame.var, first), frame.fields[first])
    else:
        scope.fail("a field that is read before", f"this.{first}")
    for step in steps:
        found = _step(found, step, scope)
    return found


def _step(found: Term, step: Any, scope: Scope) -> Term:
    shape, code = found.shape, found.code
    safe = found.safe and not shape.optional
    if shape.optional:
        code = scope.call("required", code)
    if isinstance(step, str) and shape.fields is not None and step in shape.fields and not shape.kinds:
        return Term(member(code, step), shape.fields[step], safe=safe)
    if isinstance(step, int) and shape.items is not None and not shape.kinds and shape.fields is None:
        return Term(scope.call("itemAt", code, str(step)), shape.items, safe=False)
    return scope.fail("a field of a section", f"{step!r} of {describe(shape)}")


def _function(expression: FuncPath, scope: Scope) -> Term:
    function, inner = vars(expression)["_FuncPath__func"], vars(expression)["_FuncPath__operand"]
    found = term(inner, scope)
    if function is abs:
        value = number(inner, scope)
        low, high = abs(value.shape.low), abs(value.shape.high)
        least = 0 if value.shape.low <= 0 <= value.shape.high else min(low, high)
        return Term(f"Math.abs({value.code})", whole(least, max(low, high)), safe=value.safe)
    shape = found.shape
    if shape.items is None or shape.kinds or shape.fields is not None:
        scope.fail(f"a list in {function.__name__}_", describe(shape))
    code = scope.call("required", found.code) if shape.optional else found.code
    if function is len:
        return Term(f"{code}.length", whole(*shape.count), safe=found.safe and not shape.optional)
    items = shape.items
    if items.optional or not items.is_number or "float" in items.kinds or items.named:
        scope.fail(f"a list of whole numbers in {function.__name__}_", f"elements that may be {describe(items)}")
    if function is sum:
        low, high = (min(0, items.low * shape.count[1]), max(0, items.high * shape.count[1]))
        return exact(Term(f"total({code})", whole(low, high), safe=False), expression, scope)
    if function in (min, max):
        sign = "1" if function is max else "-1"
        return Term(scope.call("extreme", code, sign), whole(items.low, items.high), safe=False)
    return scope.fail("len_, sum_, min_, max_ or abs_", repr(expression))


def _unary(expression: UniExpr, scope: Scope) -> Term:
    inner = term(expression.operand, scope)
    if expression.op is operator.not_:
        found = truth(inner, expression.operand, scope)
        return Term(f"!{found.bracketed}", FLAG, safe=found.safe)
    value = operand(inner, expression.operand, scope)
    if expression.op is operator.pos:
        shape = FLOAT if "float" in value.shape.kinds else whole(value.shape.low, value.shape.high)
        return Term(f"Number({value.code})", shape, safe=value.safe)
    if "float" in value.shape.kinds:
        return Term(f"-{value.bracketed}", FLOAT, compound=True, safe=value.safe)
    # Not -x, which JavaScript makes a zero of its own of 0.
    return Term(f"0 - {value.bracketed}", whole(-value.shape.high, -value.shape.low), compound=True, safe=value.safe)


def _binary(expression: BinExpr, scope: Scope) -> Term:
    left, right = term(expression.lhs, scope), term(expression.rhs, scope)
    op, sign = expression.op, opnames[expression.op]
    if op in (operator.eq, operator.ne):
        for value, side in ((left, expression.lhs), (right, expression.rhs)):
            comparable = value.shape.is_number or value.shape == ABSENT
            if not comparable or value.shape.missing or value.shape.named:
                scope.fail("a number to compare", f"{side!r}, which is {describe(value.shape)}")
        return equal(left, right, negated=op is operator.ne)
    left, right = operand(left, expression.lhs, scope), operand(right, expression.rhs, scope)
    if op in (operator.lt, operator.le, operator.gt, operator.ge):
        code = f"{left.bracketed} {sign} {right.bracketed}"
        return Term(code, FLAG, compound=True, safe=left.safe and right.safe)
    return arithmetic(op, sign, left, right, expression, scope)
