"""What of construct the columnar executor can walk, and what a codec is told that holds more than that.

construct's classes are matched by `type(node) is`, never by attributes: `Renamed` passes every attribute
of what it wraps through, and several nodes are singleton instances.
"""

from __future__ import annotations

import operator
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import construct as c
from construct.expr import BinExpr, ExprMixin, Path, UniExpr, opnames
from construct.lib import bits2bytes, bytes2bits, swapbitsinbytes, swapbytes

from loamline_codecs.declaration import Codec, DeclarationError
from loamline_codecs.expressions import FAULTS

FLAG, PASS, TERMINATED = type(c.Flag), type(c.Pass), type(c.Terminated)

#: Transformed nodes that are walked, by the function that tells them apart.
TRANSFORMS = {bytes2bits: "bits", bits2bytes: "bytes", swapbytes: "swapped bytes", swapbitsinbytes: "swapped bits"}


def children(node: Any) -> tuple[Any, ...]:
    """Return the nodes directly under `node`."""
    kind = type(node)
    if kind in (c.Struct, c.Sequence):
        return tuple(node.subcons)
    if kind is c.IfThenElse:
        return (node.thensubcon, node.elsesubcon)
    if kind is c.Switch:
        return (*node.cases.values(), node.default)
    return tuple(_parts(getattr(node, "__dict__", {})))


def _parts(attributes: dict[str, Any]) -> Iterator[Any]:
    """Yield the nodes among attributes, also those in a list or a dict: nodes of any class tell theirs so."""
    for value in attributes.values():
        if isinstance(value, c.Construct):
            yield value
        elif isinstance(value, list | tuple | dict):
            several = value.values() if isinstance(value, dict) else value
            yield from (one for one in several if isinstance(one, c.Construct))


def nodes(layout: Any) -> Iterator[Any]:
    """Yield every node of a layout, parents first."""
    yield layout
    for child in children(layout):
        yield from nodes(child)


@lru_cache(maxsize=256)
def is_greedy(layout: Any) -> bool:
    """Whether the layout takes as many bytes as there are, asks that there be no more, or might do either."""
    return any(type(node) in (c.GreedyRange, TERMINATED) or not is_walked(node) for node in nodes(layout))


def is_walked(node: Any) -> bool:
    """Whether a node is of a class that can be read as columns."""
    kind = type(node)
    return kind is c.Renamed or kind in _WALKED or (kind is c.Transformed and node.decodefunc in TRANSFORMS)


def fixed_size(node: Any) -> int | None:
    """Return how long a node always is, in bytes (in bits inside a BitStruct), None where the payload decides."""
    try:
        return int(node.sizeof())
    except (c.ConstructError, AttributeError, *FAULTS):
        return None


def placed(node: Any, path: str = "", place: str = "bytes") -> Iterator[tuple[Any, str, str]]:
    """Yield every node with the path of its field and whether bytes or bits are read there.

    Elements of an array have the array's own path; `place` is "bytes of bits" inside a Bytewise of a BitStruct.
    """
    if type(node) is c.Renamed:
        path = f"{path}.{node.name}" if path else node.name
    yield node, path, place
    if type(node) is c.Transformed and node.decodefunc is bytes2bits:
        place = "bits"
    elif type(node) is c.Transformed and node.decodefunc is bits2bytes:
        place = "bytes of bits"
    for child in children(node):
        yield from placed(child, path, place)


@lru_cache(maxsize=4096)
def raw_range(layout: Any, field: str) -> tuple[int, int] | None:
    """Return the least and greatest raw value that a field's width can hold, None where that can't be said."""
    for node, path, _ in placed(layout):
        if path != field:
            continue
        if (span := raw_span(node)) is not None:
            return span.start, span.stop - 1
    return None


def raw_span(node: Any) -> range | None:
    """Return the raw values that a whole number's width can hold, None for any other node."""
    if type(node) is c.FormatField and node.fmtstr[-1] not in "efd":
        return _range(8 * node.length, signed=node.fmtstr[-1] in "bhilq")
    if type(node) in (c.BytesInteger, c.BitsInteger) and isinstance(node.length, int):
        return _range(node.length * (8 if type(node) is c.BytesInteger else 1), signed=bool(node.signed))
    return range(2) if type(node) is FLAG else None


def _range(bits: int, *, signed: bool) -> range:
    return range(-(1 << (bits - 1)), 1 << (bits - 1)) if signed else range(1 << bits)


def require_walkable(codec: Codec) -> None:
    """Raise DeclarationError, naming the field, where the columnar executor could not read the layout.

    A codec that says `row_by_row` may hold anything that construct reads.
    """
    if codec.row_by_row:
        return
    enums = {path.rpartition(".")[2] for node, path, _ in placed(codec.layout) if type(node) is c.Enum}
    for node, path, place in placed(codec.layout):
        problem = _problem(node) or _misplaced(node, place) or _expression_problem(node, enums)
        if problem:
            raise DeclarationError(f"codec {codec.name}: {path or type(node).__name__}: {problem}; {WAY_OUT}")


def _problem(node: Any) -> str | None:
    kind = type(node)
    if kind is c.Renamed:
        return "expected a field without a parsing hook, got one" if node.parsed is not None else None
    if kind is c.Transformed:
        return _transform_problem(node)
    if kind not in _WALKED:
        return f"expected a node that can be read as columns, got {kind.__name__}"
    if kind is c.Const and (not isinstance(node.value, int | float) or type(node.subcon) is c.Enum):
        return f"expected a number as the constant, got {node.value!r}"
    if kind in (c.Array, c.GreedyRange) and node.discard:
        return "expected a list whose elements are kept, got discard"
    return _size_problem(node)


def _transform_problem(node: Any) -> str | None:
    if node.decodefunc not in TRANSFORMS:
        return "expected BitStruct or ByteSwapped, got another transform"
    if node.decodefunc is bytes2bits and node.subcon.sizeof() % 8:
        return f"expected whole bytes in a BitStruct, got {node.subcon.sizeof()} bits"
    return None


def _size_problem(node: Any) -> str | None:
    kind = type(node)
    fixed = isinstance(getattr(node, "length", None), int)
    if kind is c.BytesInteger and fixed and not 1 <= node.length <= WIDEST_BITS // 8:
        return f"expected 1 to {WIDEST_BITS // 8} bytes in a whole number, got {node.length}"
    if kind is c.BitsInteger and fixed and not 1 <= node.length <= WIDEST_BITS:
        return f"expected 1 to {WIDEST_BITS} bits in a whole number, got {node.length}"
    if kind is c.FormatField and node.fmtstr[-1] not in "bBhHiIlLfd":
        return f"expected a number of at most 4 bytes, or a float, got format {node.fmtstr}"
    if kind is c.GreedyRange:
        size = fixed_size(node.subcon)
        if not size:
            got = "a size that the payload decides" if size is None else "elements of no bytes"
            return f"expected elements of one size in a GreedyRange, got {got}"
    return None


def _misplaced(node: Any, place: str) -> str | None:
    kind = type(node)
    if kind is c.BitsInteger and place != "bits":
        return "expected bits inside a BitStruct, got BitsInteger outside of one"
    if kind in (c.FormatField, c.BytesInteger) and place == "bits":
        return f"expected BitsInteger inside a BitStruct, got {kind.__name__}"
    if kind is c.Transformed and node.decodefunc is bits2bytes:
        return None if place == "bits" else "expected Bytewise inside a BitStruct, got it outside of one"
    if kind is c.Transformed and place != "bytes":
        return f"expected {TRANSFORMS[node.decodefunc]} of whole bytes, got them inside a BitStruct"
    return None


def _expression_problem(node: Any, enums: set[str]) -> str | None:
    for attribute in _DECIDING.get(type(node), ()):
        value = getattr(node, attribute)
        if callable(value) and not isinstance(value, ExprMixin):
            return f"expected `this` expressions only, got a Python function as {attribute}"
        problem = _unequal(value, enums)
        if problem:
            return problem
    return None


def _unequal(expression: Any, enums: set[str]) -> str | None:
    """Say what of an expression means one thing on a number and another on a column of numbers."""
    kind = type(expression)
    if kind is BinExpr:
        if expression.op in _BY_A_CONSTANT and isinstance(expression.rhs, ExprMixin):
            return f"expected a constant on the right of {opnames[expression.op]}, got {expression.rhs!r}"
        return _unequal(expression.lhs, enums) or _unequal(expression.rhs, enums)
    if kind is UniExpr:
        return _unequal(expression.operand, enums)
    if kind is Path and expression.__getfield__() in enums:
        return f"expected an expression over numbers, got {expression!r}, which is an Enum"
    return None


#: What an author can do about a layout that can't be read as columns.
WAY_OUT = (
    "use numbers, sections, arrays and switches over `this` expressions, or set row_by_row=True and accept that every "
    "payload costs construct's own time"
)

#: The widest whole number that is read as columns: shifted by up to 7 bits it still fits 64.
WIDEST_BITS = 56

_WALKED = frozenset(
    {
        FLAG,
        PASS,
        TERMINATED,
        c.FormatField,
        c.BytesInteger,
        c.BitsInteger,
        c.Struct,
        c.Sequence,
        c.Array,
        c.GreedyRange,
        c.Padded,
        c.Const,
        c.Enum,
        c.IfThenElse,
        c.Switch,
        c.Computed,
        c.Rebuild,
        c.Default,
        c.Check,
    }
)

#: Operators that NumPy and Python differ in (zero, overflow) unless the right side is a constant.
_BY_A_CONSTANT = frozenset(
    {operator.truediv, operator.floordiv, operator.mod, operator.pow, operator.lshift, operator.rshift}
)

#: Attributes that decide the parse, and so must be constants or `this` expressions.
_DECIDING = {
    c.BytesInteger: ("length", "swapped"),
    c.BitsInteger: ("length", "swapped"),
    c.Array: ("count",),
    c.Padded: ("length",),
    c.IfThenElse: ("condfunc",),
    c.Switch: ("keyfunc",),
    c.Computed: ("func",),
    c.Check: ("func",),
}
