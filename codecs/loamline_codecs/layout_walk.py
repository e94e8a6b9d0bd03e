"""Where every field of a layout stands, from the layout alone: a static walk that needs no payload.

A place is exact while everything before it has one length. Behind a section whose length the payload decides,
and inside repeated elements of no one length, it is counted from an anchor told in words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import construct as c
from construct.lib import bits2bytes, bytes2bits, swapbitsinbytes, swapbytes

from loamline_codecs.layout_parts import Block, Item, Kind, Part, Place, Wire, turned
from loamline_codecs.lengths import plain, unbracketed
from loamline_codecs.walkable import FLAG, PASS, TERMINATED, fixed_size

_LETTERS = "kmnpqr"


@dataclass(frozen=True)
class _Here:
    """Where the walk stands: `path` names elements by letters, `key` is the path that a declaration cites.

    `container`: the element of no one length that it stands in. `unrolled`: whether constant arrays are written
    out, as among bits, where an element need not begin at a byte.
    """

    path: str = ""
    key: str = ""
    place: Place = field(default_factory=Place)
    in_bits: bool = False
    unrolled: bool = False
    scopes: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    repeats: tuple[str, ...] = ()
    named: bool = False
    container: str = ""
    within: str = ""

    @property
    def unit(self) -> int:
        return 1 if self.in_bits else 8

    @property
    def letter(self) -> str:
        return _LETTERS[min(len(self.repeats), len(_LETTERS) - 1)]

    def words(self, expression: Any) -> str:
        """Return an expression in full field names, without brackets around the whole."""
        inside = _LETTERS[min(max(len(self.repeats) - 1, 0), len(_LETTERS) - 1)]
        return unbracketed(plain(expression, self.scopes, inside)).replace(" == ", " = ")

    def after(self, items: Sequence[Item]) -> Place:
        """Return the place behind a section whose length the payload decides."""
        name = self.path or next((item.path for item in reversed(items) if item.path), "") or "what varies"
        return Place(f"{self.container}, after {self._short(name)}" if self.container else f"after {name}")

    def _short(self, name: str) -> str:
        return name.removeprefix(f"{self.within}.")


Walked = tuple[list[Item], Place]


def walk(layout: Any) -> tuple[Item, ...]:
    """Return the parts of a layout in the payload's order, blocks (repeats, choices) with their parts inside."""
    return tuple(_node(layout, _Here())[0])


def _node(node: Any, here: _Here) -> Walked:
    kind = type(node)
    if kind is c.Renamed:
        path = f"{here.path}.{node.name}" if here.path else node.name
        key = f"{here.key}.{node.name}" if here.key else node.name
        return _node(node.subcon, replace(here, path=path, key=key, named=True))
    if kind in (c.Rebuild, c.Default):
        return _node(node.subcon, here)
    if kind in _WALKERS:
        return _WALKERS[kind](node, here)
    return _other(node, here)


# Leaves ----------------------------------------------------------------------------------------------


def _leaf(here: _Here, bits: int, wire: Wire | None, kind: Kind = "field", **more: Any) -> Walked:
    part = Part(
        path=here.path,
        key=here.key,
        place=here.place,
        pieces=((here.place.bit, bits),) if bits else (),
        kind=kind,
        wire=wire,
        conditions=here.conditions,
        repeats=here.repeats,
        named=here.named,
        **more,
    )
    return [part], here.place.later(bits)


def _varying(here: _Here, size: str, wire: Wire | None, kind: Kind) -> Walked:
    """Return a part whose own length the payload decides; `size` tells how."""
    items, _ = _leaf(here, 0, wire, kind, size=size)
    return items, here.after(items)


def _format_field(node: Any, here: _Here) -> Walked:
    letter = node.fmtstr[-1]
    form = "float" if letter in "efd" else "signed" if letter in "bhilq" else "unsigned"
    little = node.fmtstr[0] in "<=" and node.length > 1
    return _leaf(here, 8 * node.length, Wire(form, 8 * node.length, "little" if little else "big"))


def _integer(node: Any, here: _Here) -> Walked:
    unit = 8 if type(node) is c.BytesInteger else 1
    order = "little" if node.swapped else "big"
    if callable(node.swapped):
        order = f"little-endian where {here.words(node.swapped)}, else big-endian"
    form = "signed" if node.signed else "unsigned"
    if callable(node.length):
        size = f"{here.words(node.length)} {'bytes' if unit == 8 else 'bits'}"
        return _varying(here, size, Wire(form, None, order), "field")
    return _leaf(here, unit * node.length, Wire(form, unit * node.length, order))


def _flag(_: Any, here: _Here) -> Walked:
    return _leaf(here, here.unit, Wire("flag", here.unit))


def _nothing(_: Any, here: _Here) -> Walked:
    return [], here.place


def _computed(node: Any, here: _Here) -> Walked:
    return _leaf(here, 0, None, "computed", size=here.words(node.func))


def _check(node: Any, here: _Here) -> Walked:
    return _leaf(here, 0, None, "check", size=here.words(node.func))


def _other(node: Any, here: _Here) -> Walked:
    """Tell of a node that is read row by row; its length where it has one."""
    size = fixed_size(node)
    named = f"construct's {type(node).__name__}" if type(node).__module__ == "construct.core" else type(node).__name__
    if size is None:
        return _varying(here, "a length that the payload decides", Wire(named, None), "field")
    return _leaf(here, here.unit * size, Wire(named, here.unit * size))


# What wraps one node ---------------------------------------------------------------------------------


def _const(node: Any, here: _Here) -> Walked:
    items, end = _node(node.subcon, here)
    return [_told(item, kind="constant", constant=node.value) for item in items], end


def _enum(node: Any, here: _Here) -> Walked:
    items, end = _node(node.subcon, here)
    labels = tuple((int(raw), str(label)) for raw, label in node.decmapping.items())
    return [_told(item, labels=labels) for item in items], end


def _told(item: Item, **more: Any) -> Item:
    return replace(item, **more) if isinstance(item, Part) else item


def _padded(node: Any, here: _Here) -> Walked:
    items, inner = _node(node.subcon, here)
    if callable(node.length):
        word = "bits" if here.in_bits else "bytes"
        filler, _ = _varying(replace(here, place=inner), f"up to {here.words(node.length)} {word}", None, "reserved")
        return [*items, *filler], here.after(filler)
    end = here.place.later(here.unit * node.length)
    if inner.anchor != end.anchor:
        filler, _ = _varying(replace(here, place=inner), f"up to {node.length} bytes in all", None, "reserved")
        return [*items, *filler], end
    filler = _leaf(replace(here, place=inner), end.bit - inner.bit, None, "reserved")[0] if end != inner else []
    return [*items, *filler], end


def _transformed(node: Any, here: _Here) -> Walked:
    how = node.decodefunc
    if how in (bytes2bits, bits2bytes):
        return _node(node.subcon, replace(here, in_bits=how is bytes2bits, unrolled=True))
    size = fixed_size(node)
    if how not in (swapbytes, swapbitsinbytes) or size is None:
        return _other(node, here)
    # The region is turned round as a whole: parts are placed in the turned bytes first.
    items, end = _node(node.subcon, replace(here, unrolled=True))
    if not all(isinstance(item, Part) for item in items):
        return _other(node, here)
    region = (here.place.bit, 8 * size)
    back = [turned(item, region, mirrored=how is swapbitsinbytes) for item in items if isinstance(item, Part)]
    return [*sorted(back, key=lambda part: part.pieces[:1])], end


# Sections --------------------------------------------------------------------------------------------


def _struct(node: Any, here: _Here) -> Walked:
    inside = replace(here, scopes=(*here.scopes, here.path))
    items: list[Item] = []
    for place, subcon in enumerate(node.subcons):
        listed = type(node) is c.Sequence
        path = f"{here.path}[{place}]" if listed else here.path
        more, end = _node(subcon, replace(inside, path=path, named=listed))
        items += more
        inside = replace(inside, place=end)
    return items, inside.place


def _array(node: Any, here: _Here) -> Walked:
    count = None if type(node) is c.GreedyRange else node.count
    if here.unrolled and isinstance(count, int):
        return _written_out(node.subcon, count, here)
    times = "as many times as fit" if count is None else f"{here.words(count)} time{'' if str(count) == '1' else 's'}"
    letter, path = here.letter, f"{here.path}[{here.letter}]"
    element = replace(here, path=path, named=True, repeats=(*here.repeats, times), place=Place())
    size = _node(node.subcon, element)[1]
    if size.anchor == "" and size.bit:
        start = replace(here.place, strides=(*here.place.strides, (size.bit, letter)))
        items, _ = _node(node.subcon, replace(element, place=start))
        end = here.place.later(size.bit * count) if isinstance(count, int) else None
    else:
        where = f"in {path}"
        element = replace(element, place=Place(where), container=where, within=path)
        items, end = _node(node.subcon, element)[0], None
    block = Block("repeat", here.path, times, here.place, tuple(items), here.conditions, letter, here.key)
    return [block], here.after([block]) if end is None else end


def _written_out(subcon: Any, count: int, here: _Here) -> Walked:
    items: list[Item] = []
    for index in range(count):
        more, end = _node(subcon, replace(here, path=f"{here.path}[{index}]", named=True))
        items += more
        here = replace(here, place=end)
    return items, here.place


def _if_then_else(node: Any, here: _Here) -> Walked:
    if not callable(node.condfunc):
        return _node(node.thensubcon if node.condfunc else node.elsesubcon, here)
    words = here.words(node.condfunc)
    bare = words.removeprefix("not ")
    otherwise = f"not ({words})" if " " in bare else bare if bare != words else f"not {words}"
    return _choice("choice", [(words, node.thensubcon), (otherwise, node.elsesubcon)], here)


def _switch(node: Any, here: _Here) -> Walked:
    if not callable(node.keyfunc):
        return _node(node.cases.get(node.keyfunc, node.default), here)
    words = here.words(node.keyfunc)
    cases = [(f"{words} = {_key(key)}", case) for key, case in node.cases.items()]
    listed = ", ".join(_key(key) for key in node.cases)
    return _choice("case", [*cases, (f"{words} is none of {listed}", node.default)], here)


def _key(key: Any) -> str:
    return {True: "1", False: "0"}[key] if isinstance(key, bool) else str(key)


def _choice(kind: Literal["choice", "case"], cases: list[tuple[str, Any]], here: _Here) -> Walked:
    blocks: list[Item] = []
    ends: list[Place] = []
    for words, case in cases:
        items, end = _node(case, replace(here, conditions=(*here.conditions, words)))
        ends.append(end)
        if items:
            blocks.append(Block(kind, here.path, words, here.place, tuple(items), here.conditions))
    return blocks, ends[0] if all(end == ends[0] for end in ends) else here.after(blocks)


_WALKERS: dict[type, Callable[[Any, _Here], Walked]] = {
    FLAG: _flag,
    PASS: _nothing,
    TERMINATED: _nothing,
    c.FormatField: _format_field,
    c.BytesInteger: _integer,
    c.BitsInteger: _integer,
    c.Struct: _struct,
    c.Sequence: _struct,
    c.Array: _array,
    c.GreedyRange: _array,
    c.Padded: _padded,
    c.Const: _const,
    c.Enum: _enum,
    c.IfThenElse: _if_then_else,
    c.Switch: _switch,
    c.Computed: _computed,
    c.Check: _check,
    c.Transformed: _transformed,
}
