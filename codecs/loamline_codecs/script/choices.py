"""Nodes of a layout that choose what is read, and those that turn bits and bytes round first."""

from __future__ import annotations

from typing import Any

from construct.lib import bits2bytes, bytes2bits, swapbytes

from loamline_codecs.script import shape as shapes
from loamline_codecs.script.expressions import condition, equal, term
from loamline_codecs.script.names import literal
from loamline_codecs.script.shape import either
from loamline_codecs.script.term import Term
from loamline_codecs.script.writer import Writer
from loamline_codecs.walkable import PASS


def if_then_else(w: Writer, node: Any, wish: str) -> Term:
    """Write one of two nodes by a condition."""
    if not callable(node.condfunc):
        return w.value(node.thensubcon if node.condfunc else node.elsesubcon, wish)
    holds = condition(node.condfunc, w.scope)
    return _choice(w, [(holds.code, node.thensubcon)], node.elsesubcon, wish)


def switch(w: Writer, node: Any, wish: str) -> Term:
    """Write the node of the case that a number says."""
    if not callable(node.keyfunc) or not node.cases:
        return w.value(node.cases.get(node.keyfunc, node.default), wish)
    chosen = term(node.keyfunc, w.scope)
    if not chosen.shape.is_number or chosen.shape.named or chosen.shape.missing:
        w.scope.fail("a number to switch by", shapes.describe(chosen.shape))
    by = w.names.new(f"{wish}_case")
    w.store(f"var {by}", chosen)
    cases = []
    for case, subcon in node.cases.items():
        shape = shapes.of_constant(case)
        if shape is None:
            w.scope.fail("numbers as the cases of a switch", repr(case))
        cases.append((equal(Term(by, chosen.shape), Term(literal(case), shape)).code, subcon))
    return _choice(w, cases, node.default, wish)


def _choice(w: Writer, cases: list[tuple[str, Any]], otherwise: Any, wish: str) -> Term:
    chosen = w.names.new(wish)
    w.line(f"var {chosen} = null;")
    before, found, places = w.place, [], []
    frame = w.frames[-1]
    index, indexes = frame.index, []
    for k, (test, node) in enumerate([*cases, ("", otherwise)]):
        if not test and type(node) is PASS:
            found.append(Term("null", shapes.ABSENT))
            places.append(before)
            indexes.append(index)
            break
        w.place, frame.index = before, index
        head = f"if ({test})" if test else "else"
        with w.block(head if k == 0 else f"}} else {head}" if test else "} else", end=""):
            value, note = w.noted(node, wish)
            if value.code != "null":
                w.store(chosen, value, note)
        found.append(value)
        places.append(w.place)
        indexes.append(frame.index)
    w.line("}")
    frame.index = either(*indexes)
    w.place = places[0] if all(place == places[0] for place in places) else None
    return Term(chosen, either(*(one.shape for one in found)))


def transformed(w: Writer, node: Any, wish: str) -> Term:
    """Write what is read of bits, of bytes again, or of bytes that are turned round."""
    if node.decodefunc in (bytes2bits, bits2bytes):
        before = w.in_bits
        w.in_bits = node.decodefunc is bytes2bits
        found = w.value(node.subcon, wish)
        w.in_bits = before
        return found
    turn = "swapped" if node.decodefunc is swapbytes else "mirrored"
    turned = w.names.new(f"{wish}_{turn}")
    outer, place = w.reader, w.place
    w.line(f"var {turned} = {w.scope.call(turn, str(node.decodeamount))};")
    w.reader, w.place = turned, None
    found = w.value(node.subcon, wish)
    w.reader = outer
    w.place = None if place is None else place.after(8 * node.decodeamount)
    return found
