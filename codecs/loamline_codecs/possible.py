"""Which values a field and an expression over fields can have at all, given the declaration."""

from __future__ import annotations

import operator
from collections.abc import Collection
from dataclasses import dataclass
from itertools import product
from math import prod
from typing import Any

import construct as c
from construct.expr import BinExpr, ExprMixin, Path, UniExpr

from loamline_codecs.declaration import Codec
from loamline_codecs.expressions import FAULTS
from loamline_codecs.fields import Fields, Spot, paths
from loamline_codecs.walkable import raw_span

#: So many combinations of field values are tried at most; beyond, little is said of an expression.
MOST_COMBINATIONS = 1 << 12


@dataclass(frozen=True, eq=False)
class Possible:
    """What the fields of one codec can hold."""

    codec: Codec
    fields: Fields

    def width(self, path: str) -> range | None:
        """Return the values that a field's type holds; None where that can't be said, as of a float."""
        spans = [raw_span(spot.node) for spot in self.fields.leaves if spot.path == path]
        if self.fields.kinds.get(path) is None or not self.fields.kinds[path] <= {"number", "nothing"}:
            return None
        return _hull(spans)

    def values(self, path: str) -> Collection[Any] | None:
        """Return the values that a field can have in a payload that is read: by type, Const, match and bounds."""
        computed = [s for s in self.fields.spots if s.path == path and type(s.node) is c.Computed]
        if computed:
            return self.of(computed[0].node.func, computed[0]) if len(computed) == 1 else None
        if self.width(path) is None:
            return None
        found = _hull([self._span(spot) for spot in self.fields.leaves if spot.path == path])
        for bound in self.codec.bounds:
            if bound.field == path and found is not None:
                found = range(max(found.start, bound.low), max(found.start, min(found.stop, bound.high + 1)))
        return found

    def of(self, expression: Any, spot: Spot) -> Collection[Any] | None:
        """Return the values that an expression at `spot` can have, None where that can't be said."""
        if not isinstance(expression, ExprMixin):
            return None if callable(expression) else (expression,)
        cited = {repr(path): self._cited(path, spot) for path in paths(expression)}
        if type(expression) is Path:
            return cited[repr(expression)]
        if any(values is None for values in cited.values()) or not _is_plain(expression):
            return None
        if prod(len(values or ()) for values in cited.values()) <= MOST_COMBINATIONS:
            return _tried(expression, {name: values or () for name, values in cited.items()})
        return _masked(expression, cited)

    def may_be_absent(self, expression: Any, spot: Spot) -> bool:
        """Whether a field that an expression cites stands in a section that may be absent where `spot` is not."""
        cited = {self.fields.resolve(path, spot) for path in paths(expression)}
        return any(
            spot.choices[: len(leaf.choices)] != leaf.choices for leaf in self.fields.leaves if leaf.path in cited
        )

    def _cited(self, path: Path, spot: Spot) -> Collection[Any] | None:
        resolved = self.fields.resolve(path, spot)
        return None if resolved is None else self.values(resolved)

    def _span(self, spot: Spot) -> range | None:
        """Return what a leaf can hold: of its leading bits the match rule has a say."""
        span, first, bits = raw_span(spot.node), spot.first_bit, spot.bits
        match = self.codec.match
        if constant := self._constant(spot):
            return constant
        if span is None or first is None or bits is None or spot.choices or first >= match.leading_bits:
            return span
        if span.start < 0 or bits != (len(span) - 1).bit_length() or not _is_big_endian(spot.node):
            return span
        known = min(match.leading_bits - first, bits)
        top = match.value >> (match.leading_bits - first - known) & ((1 << known) - 1)
        return range(top << (bits - known), (top + 1) << (bits - known))

    def _constant(self, spot: Spot) -> range | None:
        values = [
            s.node.value
            for s in self.fields.spots
            if type(s.node) is c.Const and s.path == spot.path and isinstance(s.node.value, int)
        ]
        return range(int(values[0]), int(values[0]) + 1) if spot.fixed and len(values) == 1 else None


def _is_big_endian(node: Any) -> bool:
    if type(node) is c.FormatField:
        return bool(node.fmtstr[0] == ">" or node.length == 1)
    return not getattr(node, "swapped", False)


def _hull(spans: list[range | None]) -> range | None:
    known = [span for span in spans if span is not None]
    if not known or len(known) < len(spans):
        return None
    return range(min(span.start for span in known), max(span.stop for span in known))


def _is_plain(expression: Any) -> bool:
    if type(expression) is BinExpr:
        return _is_plain(expression.lhs) and _is_plain(expression.rhs)
    if type(expression) is UniExpr:
        return _is_plain(expression.operand)
    return type(expression) is Path or not callable(expression)


def _tried(expression: Any, cited: dict[str, Collection[Any]]) -> frozenset[Any]:
    found = set()
    for values in product(*cited.values()):
        try:
            found.add(_value(expression, dict(zip(cited, values, strict=True))))
        except FAULTS:  # such a payload is refused
            continue
    return frozenset(found)


def _value(expression: Any, known: dict[str, Any]) -> Any:
    if type(expression) is BinExpr:
        return expression.op(_value(expression.lhs, known), _value(expression.rhs, known))
    if type(expression) is UniExpr:
        return expression.op(_value(expression.operand, known))
    return known[repr(expression)] if type(expression) is Path else expression


def _masked(expression: Any, cited: dict[str, Collection[Any] | None]) -> Collection[Any] | None:
    """Return the values of a wide field under a mask or a shift."""
    span = cited.get(repr(getattr(expression, "lhs", None)))
    constant = getattr(expression, "rhs", None)
    if not isinstance(span, range) or not isinstance(constant, int) or span.start < 0 or constant < 0:
        return None
    if expression.op is operator.rshift:
        return range(span.start >> constant, ((span.stop - 1) >> constant) + 1)
    if expression.op is operator.and_ and constant < MOST_COMBINATIONS:
        return frozenset(value & constant for value in range(constant + 1))
    return None
