"""`this` expressions over columns: what a count, a switch or a condition is, for all rows at once."""

from __future__ import annotations

import operator
from collections.abc import Sequence
from typing import Any

import numpy as np
from construct.expr import BinExpr, ExprMixin, UniExpr

#: Marks the frame in which a list is being gathered; it is none of construct's contexts.
LISTED = "(listed)"

#: What an expression over odd data may raise, in construct's evaluation as in this one.
FAULTS = (ArithmeticError, LookupError, TypeError, ValueError)


def evaluate(expression: Any, frames: Sequence[dict[str, Any]]) -> Any:
    """Return what an expression gives over columns: an array of shape (n,), or one value for all rows.

    `frames` holds the fields read so far, outermost first; the first stands for the layout's surroundings.
    Raises one of `FAULTS` where construct would.
    """
    outermost, *nested = (frame for frame in frames if LISTED not in frame)
    context = dict(outermost)
    for frame in nested:
        outer, context = context, {"_index": context.get("_index"), **frame, "_": context}
        context["_root"] = outer.get("_root", context)
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        return _evaluate(expression, context)


def _evaluate(expression: Any, context: dict[str, Any]) -> Any:
    kind = type(expression)
    if kind is BinExpr:
        left, right = _evaluate(expression.lhs, context), _evaluate(expression.rhs, context)
        return expression.op(_number(left), _number(right))
    if kind is UniExpr:
        value = _evaluate(expression.operand, context)
        # construct writes `~` as operator.not_, which has no meaning on an array.
        return np.logical_not(value) if expression.op is operator.not_ else expression.op(_number(value))
    return expression(context) if isinstance(expression, ExprMixin) else expression


def _number(value: Any) -> Any:
    """Widen flags: two of NumPy's add up to a flag, two of Python's to a number."""
    return value.astype(np.int64) if isinstance(value, np.ndarray) and value.dtype == np.bool_ else value
