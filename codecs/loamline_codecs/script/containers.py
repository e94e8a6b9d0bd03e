"""Nodes of a layout that hold others: sections, lists, filling."""

from __future__ import annotations

from typing import Any

from loamline_codecs.script import shape as shapes
from loamline_codecs.script.expressions import number
from loamline_codecs.script.names import member
from loamline_codecs.script.shape import Shape, either
from loamline_codecs.script.term import Frame, Term
from loamline_codecs.script.writer import Writer
from loamline_codecs.walkable import PASS, fixed_size


def renamed(w: Writer, node: Any, _: str) -> Term:
    """Write a field under its name."""
    if node.parsed is not None:
        w.scope.fail("a field without a parsing hook", "one")
    if node.name == "__proto__":
        w.scope.fail("another name", node.name)
    before = w.path
    w.path = f"{before}.{node.name}" if before else node.name
    found = w.value(node.subcon, node.name)
    w.path = before
    return found


def _entered(w: Writer, var: str) -> Frame:
    """Write the beginning of a section whose fields `var` gathers."""
    outer = w.frames[-1]
    frame = Frame(var, index=Shape(outer.index.kinds, outer.index.low, outer.index.high, absent=True))
    if outer.index.kinds and not outer.index.optional:
        frame.index = outer.index
    if w.indexed:
        frame.index_var = w.names.new(f"{var}_index")
        w.line(f"var {frame.index_var} = {outer.index_var};")
    w.line(f"var {var} = {{}};")
    return frame


def struct(w: Writer, node: Any, wish: str) -> Term:
    """Write a section: an object with its named fields."""
    outer, frame = w.frames, _entered(w, w.names.new(wish))
    w.frames = (*outer, frame)
    for subcon in node.subcons:
        found, note = w.noted(subcon, wish)
        if subcon.name:
            w.store(member(frame.var, subcon.name), found, note)
            frame.fields[subcon.name] = found.shape
        elif not found.safe:
            w.line(f"{found.code};", note)
    w.frames = outer
    return Term(frame.var, Shape(fields=dict(frame.fields)))


def sequence(w: Writer, node: Any, wish: str) -> Term:
    """Write a list of unlike elements; expressions know the named ones."""
    outer, gathered = w.frames, w.names.new(f"{wish}_list")
    frame = _entered(w, w.names.new(f"{wish}_fields"))
    w.frames = (*outer, frame)
    w.line(f"var {gathered} = [];")
    items = []
    for index, subcon in enumerate(node.subcons):
        found, note = w.noted(subcon, wish)
        w.store(f"{gathered}[{index}]", found, note)
        items.append(found.shape)
        if subcon.name:
            w.line(f"{member(frame.var, subcon.name)} = {gathered}[{index}];")
            frame.fields[subcon.name] = found.shape
    w.frames = outer
    return Term(gathered, Shape(items=either(*items), count=(len(items), len(items))))


def array(w: Writer, node: Any, wish: str) -> Term:
    """Write a list of as many elements as the count says."""
    if node.discard:
        w.scope.fail("a list whose elements are kept", "discard")
    count = number(node.count, w.scope)
    low, high = max(0, count.shape.low), max(0, min(count.shape.high, shapes.MANY))
    code = count.code if count.shape.low >= 0 else w.scope.call("countOf", count.code)
    gathered, limit, index = (w.names.new(name) for name in (f"{wish}_list", f"{wish}_count", "k"))
    w.line(f"var {gathered} = [];")
    w.line(f"var {limit} = {code};")
    w.line(f"var {index};")
    before, bits = w.place, _bits_of(w, node.subcon)
    with w.block(f"for ({index} = 0; {index} < {limit}; {index} += 1)"):
        items = _element(w, node.subcon, wish, gathered, index, bits)
    if low == 0:  # a list that may have been empty leaves `_index` as it was
        w.frames[-1].index = either(shapes.INDEX, shapes.ABSENT)
    known = before is not None and bits is not None and not callable(node.count)
    w.place = before.after(bits * high) if before is not None and bits is not None and known else None
    return Term(gathered, Shape(items=items, count=(low, high)))


def greedy_range(w: Writer, node: Any, wish: str) -> Term:
    """Write a list of as many elements as can be read."""
    bits = _bits_of(w, node.subcon)
    if node.discard or not bits:
        w.scope.fail("kept elements of one size in a GreedyRange", type(node.subcon).__name__)
    gathered, start, index = (w.names.new(name) for name in (f"{wish}_list", f"{wish}_start", "k"))
    w.line(f"var {gathered} = [];")
    w.line(f"var {start} = {w.reader}.bit;")
    w.line(f"var {index};")
    with (
        w.block("try", end=""),
        w.block(f"for ({index} = 0; ; {index} += 1)"),
    ):
        items = _element(w, node.subcon, wish, gathered, index, bits)
        w.line(f"{start} = {w.reader}.bit;")
    with w.block("} catch (problem)"):
        w.line("// The list ends before the first element that can't be read.")
        w.line(f"{w.reader}.bit = {start};")
    w.place = None
    return Term(gathered, Shape(items=items, count=(0, shapes.MANY)))


def _element(w: Writer, node: Any, wish: str, gathered: str, index: str, bits: int | None) -> Shape:
    frame = w.frames[-1]
    frame.index = shapes.INDEX
    if w.indexed:
        w.line(f"{frame.index_var} = {index};")
    w.place = w.place.stepping(bits, index) if w.place is not None and bits else None
    found, note = w.noted(node, f"{wish}_item")
    w.line(f"{gathered}.push({found.code});", note)
    return found.shape


def _bits_of(w: Writer, node: Any) -> int | None:
    size = fixed_size(node)
    return None if size is None else size if w.in_bits else 8 * size


def padded(w: Writer, node: Any, wish: str) -> Term:
    """Write a node and the filling after it."""
    length = number(node.length, w.scope)
    if length.shape.high < 0:
        w.scope.fail("a length of 0 or more", repr(node.length))
    unit = 1 if w.in_bits else 8
    bits = str(unit * node.length) if not callable(node.length) else f"{unit} * {length.bracketed}"
    if not callable(node.length) and type(node.subcon) is PASS:
        note = w.took(unit * node.length)
        w.line(f"{w.scope.call('skip', f'{w.reader}.bit', bits)};", note)
        return Term("null", shapes.ABSENT)
    start, kept = w.names.new(f"{wish}_start"), w.names.new(f"{wish}_kept")
    place = w.place
    w.line(f"var {start} = {w.reader}.bit;")
    found, note = w.noted(node.subcon, wish)
    w.store(f"var {kept}", found, note)
    w.line(f"{w.scope.call('skip', start, bits)};")
    known = place is not None and not callable(node.length)
    w.place = place.after(unit * node.length) if place is not None and known else None
    return Term(kept, found.shape)
