"""What of construct the columnar executor can walk, and a layout written out as text.

construct's classes are matched by `type(node) is`, never by attributes: `Renamed` passes every attribute
of what it wraps through, and several nodes are singleton instances.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import construct as c
from construct.expr import ExprMixin
from construct.lib import bits2bytes, bytes2bits, swapbitsinbytes, swapbytes

from loamline_codecs.declaration import Codec, DeclarationError
from loamline_schemas.digest import content_digest

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
    if isinstance(node, c.Subconstruct):
        return (node.subcon,)
    return ()


def nodes(layout: Any) -> Iterator[Any]:
    """Yield every node of a layout, parents first."""
    yield layout
    for child in children(layout):
        yield from nodes(child)


@lru_cache(maxsize=256)
def is_greedy(layout: Any) -> bool:
    """Whether the layout takes as many bytes as there are."""
    return any(type(node) in (c.GreedyRange, type(c.GreedyBytes)) for node in nodes(layout))


def require_walkable(codec: Codec) -> None:
    """Raise DeclarationError, naming the node, where the columnar executor could not read the layout."""
    for node in nodes(codec.layout):
        problem = _problem(node)
        if problem:
            name = getattr(node, "name", None) or type(node).__name__
            raise DeclarationError(f"codec {codec.name}: {name}: {problem}")


def _problem(node: Any) -> str | None:
    kind = type(node)
    if kind is c.Renamed:
        return "expected a field without a parsing hook, got one" if node.parsed is not None else None
    if kind is c.Transformed:
        return None if node.decodefunc in TRANSFORMS else "expected BitStruct or ByteSwapped, got another transform"
    if kind not in _WALKED:
        return f"expected a node that can be read as columns, got {kind.__name__}"
    for attribute in _DECIDING.get(kind, ()):
        value = getattr(node, attribute)
        if callable(value) and not isinstance(value, ExprMixin):
            return f"expected `this` expressions only, got a Python function as {attribute}"
    return _too_wide(node)


def _too_wide(node: Any) -> str | None:
    kind = type(node)
    if kind is c.BytesInteger and isinstance(node.length, int) and node.length > 7:
        return f"expected at most 7 bytes in a whole number, got {node.length}"
    if kind is c.BitsInteger and isinstance(node.length, int) and node.length > 56:
        return f"expected at most 56 bits in a whole number, got {node.length}"
    if kind is c.FormatField and node.fmtstr[-1] not in "bBhHiIlLfd":
        return f"expected a number of at most 4 bytes, or a float, got format {node.fmtstr}"
    return None


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

#: Attributes that decide the parse, and so must be constants or `this` expressions.
_DECIDING = {
    c.BytesInteger: ("length", "swapped"),
    c.BitsInteger: ("length",),
    c.Array: ("count",),
    c.Padded: ("length",),
    c.IfThenElse: ("condfunc",),
    c.Switch: ("keyfunc",),
    c.Computed: ("func",),
    c.Check: ("func",),
}


def describe(codec: Codec) -> str:
    """Return the content digest of a codec: of everything that decides which figures a payload gives."""
    return content_digest(
        {
            "name": codec.name,
            "message": codec.message,
            "match": [codec.match.fport, codec.match.leading_bits, codec.match.value],
            "layout": _outline(codec.layout),
            "bounds": [[bound.field, bound.low, bound.high] for bound in codec.bounds],
            "quantities": [_meaning(quantity) for quantity in codec.quantities],
            "samples": [
                [group.repeat, group.depth_index, group.age_interval, [_meaning(q) for q in group.quantities]]
                for group in codec.samples
            ],
        }
    )


def _meaning(q: Any) -> list[Any]:
    sentinels = sorted([raw, text] for raw, text in q.sentinels.items())
    return [q.name, q.field, q.unit, q.scale, q.offset, sentinels, list(q.valid or ())]


def _outline(node: Any) -> list[Any]:
    kind = type(node)
    told: list[Any] = [kind.__name__]
    if kind is c.Renamed:
        told.append(node.name)
    if kind is c.Transformed:
        told.append(TRANSFORMS.get(node.decodefunc, "other"))
    told += [
        repr(getattr(node, attribute))
        for attribute in ("fmtstr", "length", "signed", "swapped", "count", "value", "condfunc", "keyfunc", "func")
        if attribute in node.__dict__ and kind is not c.Rebuild
    ]
    if kind is c.Switch:
        told.append([repr(key) for key in node.cases])
    return [*told, *(_outline(child) for child in children(node))]
