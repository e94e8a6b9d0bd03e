"""Where the fields of a layout stand and which fields an expression cites: what validation reasons about.

A field's path is where its value stands in construct's result. A node that no Struct names has a path with a
place in brackets, such as "head.(2)", which a quantity can't cite.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from types import CodeType
from typing import Any

import construct as c
from construct.expr import BinExpr, ExprMixin, FuncPath, Path, UniExpr
from construct.lib import bits2bytes, bytes2bits

from loamline_codecs.walkable import FLAG, PASS, TERMINATED, children, fixed_size, is_walked

_EMPTY = (PASS, TERMINATED, c.Computed, c.Check, type(c.Error), type(c.Index), type(c.Tell), c.StopIf, c.Probe)
_LISTS = (c.Array, c.GreedyRange, c.RepeatUntil, c.Sequence)
_KINDS: dict[str, tuple[type, ...]] = {
    "list": _LISTS,
    "section": (c.Struct,),
    "bytes": (c.Bytes, type(c.GreedyBytes), c.StringEncoded),
    "number": (c.FormatField, c.BytesInteger, c.BitsInteger, FLAG, c.Computed, c.Const, c.Enum),
    "nothing": _EMPTY,
}


@dataclass(frozen=True, eq=False)
class Spot:
    """One node, and where it stands.

    `first_bit`: counted from the payload's start, None where payloads differ or bytes are turned round. `frames`:
    the paths of the Structs around it, outermost first. `choices`: which branches and lists it stands in; a node
    whose choices begin with another's is there wherever that other is... and maybe not otherwise. `named`: whether
    its Struct names it. `fixed`: whether it holds a constant, or decides a node of a class that isn't walked.
    """

    node: Any
    path: str = ""
    place: str = "bytes"
    first_bit: int | None = 0
    frames: tuple[str, ...] = ()
    choices: tuple[int, ...] = ()
    named: bool = False
    fixed: bool = False

    @property
    def bits(self) -> int | None:
        """How many bits the node takes, None where the payload decides."""
        size = fixed_size(self.node)
        return None if size is None else size * (1 if self.place == "bits" else 8)

    @property
    def is_leaf(self) -> bool:
        """Whether the node takes bits of its own."""
        return not children(self.node) and not isinstance(self.node, _EMPTY) and fixed_size(self.node) != 0

    @property
    def label(self) -> str:
        """How to call the node in a sentence."""
        return self.path or type(self.node).__name__


@dataclass(frozen=True, eq=False)
class Fields:
    """The fields of one layout."""

    layout: Any

    @cached_property
    def spots(self) -> tuple[Spot, ...]:
        """Every node, in the layout's order, parents first."""
        return tuple(_spots(Spot(self.layout)))

    @cached_property
    def leaves(self) -> tuple[Spot, ...]:
        """Every node that takes bits of its own."""
        return tuple(spot for spot in self.spots if spot.is_leaf)

    @cached_property
    def kinds(self) -> dict[str, set[str]]:
        """What can stand at each path: "number", "section", "list", "bytes", "nothing" or "unknown"."""
        found: dict[str, set[str]] = {}
        for spot in self.spots:
            if isinstance(spot.node, c.Struct):
                for path, subcon in _members(spot):
                    found.setdefault(path, set()).update(kinds_of(subcon))
        return found

    def elements(self, path: str) -> set[str]:
        """Return what can stand in the list at `path`."""
        lists = (spot.node for spot in self.spots if spot.path == path and type(spot.node) in _LISTS)
        return {kind for node in lists for child in children(node) for kind in kinds_of(child)}

    def smallest(self, node: Any) -> int:
        """Return how many bytes a node takes at least."""
        size = fixed_size(node)
        if size is not None:
            return size
        if isinstance(getattr(node, "subcons", None), list) and type(node) in (c.Struct, c.Sequence):
            return sum(self.smallest(subcon) for subcon in node.subcons)
        if type(node) in (c.Renamed, c.Default, c.Rebuild):
            return self.smallest(node.subcon)
        return 0

    def resolve(self, path: Path, spot: Spot) -> str | None:
        """Return the path that an expression of `spot` cites, None for what is no field (an `_index`)."""
        steps = _steps(path)
        level = len(spot.frames) - 1
        while steps and steps[0] in ("_", "_root"):
            level = level - 1 if steps.pop(0) == "_" else 0
        names = [step for step in steps if isinstance(step, str)]
        if level < 0 or not names or names[0].startswith("_"):
            return None
        return ".".join(filter(None, (spot.frames[level], *names)))

    def cited(self) -> Iterator[tuple[Spot, Path, str | None]]:
        """Yield every path in an expression that the parse depends on, with the field that it cites."""
        for spot in self.spots:
            for expression in deciding(spot.node):
                for path in paths(expression):
                    yield spot, path, self.resolve(path, spot)

    @cached_property
    def names_in_functions(self) -> frozenset[str]:
        """Every name that a Python function in the layout mentions."""
        codes = (getattr(value, "__code__", None) for spot in self.spots for value in _own_values(spot.node))
        # A Path gives another Path for any attribute.
        return frozenset(name for code in codes if isinstance(code, CodeType) for name in _names(code))


def kinds_of(node: Any) -> set[str]:
    """Return what a node can give."""
    if isinstance(node, c.IfThenElse | c.Switch):
        return {kind for child in children(node) for kind in kinds_of(child)}
    if type(node) is c.Const and isinstance(node.value, bytes):
        return {"bytes"}
    for kind, classes in _KINDS.items():
        if isinstance(node, classes):
            return {kind}
    return kinds_of(node.subcon) if is_walked(node) else {"unknown"}


def deciding(node: Any) -> Iterator[ExprMixin]:
    """Yield the expressions that a node's parse depends on; what Rebuild computes matters only on building."""
    if type(node) is not c.Rebuild:
        yield from (value for value in _own_values(node) if isinstance(value, ExprMixin))


def paths(expression: Any) -> Iterator[Path]:
    """Yield the paths that an expression is made of."""
    if type(expression) is Path:
        yield expression
    elif type(expression) is BinExpr:
        yield from paths(expression.lhs)
        yield from paths(expression.rhs)
    elif type(expression) is UniExpr:
        yield from paths(expression.operand)
    elif type(expression) is FuncPath:
        yield from paths(expression.__dict__["_FuncPath__operand"])


def _own_values(node: Any) -> list[Any]:
    return [] if type(node) is c.Renamed else list(getattr(node, "__dict__", {}).values())


def _steps(path: Path) -> list[Any]:
    found = []
    while (parent := path.__dict__["_Path__parent"]) is not None:
        found.append(path.__getfield__())
        path = parent
    return found[::-1]


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _names(constant)
        elif isinstance(constant, str):
            yield constant


def _members(spot: Spot) -> Iterator[tuple[str, Any]]:
    for index, subcon in enumerate(spot.node.subcons):
        # A node that isn't walked, such as Select, may give its member's value as its own.
        name = subcon.name or (f"({index})" if is_walked(spot.node) else "")
        yield ".".join(filter(None, (spot.path, name))), subcon


def _spots(spot: Spot) -> Iterator[Spot]:
    """Yield a node and all under it."""
    yield spot
    node = spot.node
    if isinstance(getattr(node, "subcons", None), list) and type(node) is not c.Renamed:
        yield from _in_sequence(spot)
        return
    inside = replace(spot, node=None)
    if type(node) is c.Const:
        inside = replace(inside, fixed=True)
    elif type(node) is c.Transformed and node.decodefunc in (bytes2bits, bits2bytes):
        inside = replace(inside, place="bits" if node.decodefunc is bytes2bits else "bytes of bits")
    elif isinstance(node, _LISTS) or type(node) is c.Transformed or not is_walked(node):
        inside = replace(inside, first_bit=None)
    for index, child in enumerate(children(node)):
        one = replace(inside, node=child)
        if isinstance(node, c.IfThenElse | c.Switch | c.Array | c.GreedyRange | c.RepeatUntil) or not is_walked(node):
            one = replace(one, choices=(*one.choices, id(node) + index))
        if not is_walked(node) and child is not getattr(node, "subcon", None):
            one = replace(one, fixed=True)
        yield from _spots(one)


def _in_sequence(spot: Spot) -> Iterator[Spot]:
    frames, bit = (*spot.frames, spot.path), spot.first_bit
    walked = is_walked(spot.node)
    for path, subcon in _members(spot):
        one = replace(spot, node=subcon, path=path, frames=frames, first_bit=bit, named=bool(subcon.name))
        if not walked:
            one = replace(one, named=one.named or spot.named, choices=(*one.choices, id(subcon)))
        yield from _spots(one)
        size = one.bits
        bit = None if bit is None or size is None or not walked else bit + size
