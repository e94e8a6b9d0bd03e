"""Nodes of a layout that are one value: numbers, flags, constants, and rules about them."""

from __future__ import annotations

import sys
from typing import Any

import construct as c

from loamline_codecs.script import shape as shapes
from loamline_codecs.script.expressions import condition, number, term
from loamline_codecs.script.names import comment, literal, text
from loamline_codecs.script.shape import Shape
from loamline_codecs.script.term import Term
from loamline_codecs.script.writer import Writer


def whole_number(w: Writer, bits: int, *, signed: bool, little: bool) -> Term:
    """Write the reading of a whole number whose width and byte order are known."""
    if bits > shapes.WIDEST_BITS:
        w.scope.fail(f"whole numbers of at most {shapes.WIDEST_BITS} bits", f"{bits} bits")
    if bits <= 0 or (little and bits % 8):
        w.scope.fail("a length that can be read", f"{bits} bits")
    helper = "readUnsignedLittle" if little and bits > 8 else "readUnsigned"
    code = w.scope.call(helper, str(bits))
    w.took(bits)
    return Term(f"signed({code}, {bits})" if signed else code, shapes.integer(bits, signed=signed), safe=False)


def format_field(w: Writer, node: Any, _: str) -> Term:
    """Write a number of the struct module's formats."""
    letter, order = node.fmtstr[-1], node.fmtstr[0]
    little = order == "<" or (order in "=@" and sys.byteorder == "little")
    if letter in "fd":
        w.took(8 * node.length)
        code = w.scope.call("readFloat", str(8 * node.length), literal(little))
        return Term(code, shapes.FLOAT, safe=False)
    if letter not in "bBhHiIlLqQ":
        w.scope.fail("a whole number or a float of 4 or 8 bytes", f"format {node.fmtstr}")
    return whole_number(w, 8 * node.length, signed=letter in "bhilq", little=little)


def sized(w: Writer, node: Any, _: str) -> Term:
    """Write a whole number of bytes or bits, as many as are told or as the payload says."""
    unit = 8 if type(node) is c.BytesInteger else 1
    signed = bool(node.signed)
    if not callable(node.length) and not callable(node.swapped):
        return whole_number(w, unit * node.length, signed=signed, little=bool(node.swapped))
    length = number(node.length, w.scope)
    widest = unit * length.shape.high
    if widest > shapes.WIDEST_BITS:
        w.scope.fail(f"whole numbers of at most {shapes.WIDEST_BITS} bits", f"up to {widest} bits")
    if widest <= 0:
        w.scope.fail("a length that can be read", f"{widest} bits")
    little = condition(node.swapped, w.scope)
    bits = f"{unit} * {length.bracketed}" if unit > 1 else length.code
    w.took(None if callable(node.length) else widest)
    code = w.scope.call("readSized", bits, little.code, literal(signed))
    low = -(1 << (widest - 1)) if signed else 0
    return Term(code, shapes.whole(low, (1 << (widest - signed)) - 1), safe=False)


def flag(w: Writer, _: Any, __: str) -> Term:
    """Write a flag: a bit among bits, a byte that is not 0 elsewhere."""
    bits = 1 if w.in_bits else 8
    w.took(bits)
    return Term(w.scope.call("readFlag", str(bits)), shapes.FLAG, safe=False)


def nothing(_: Writer, __: Any, ___: str) -> Term:
    """Write nothing."""
    return Term("null", shapes.ABSENT)


def terminated(w: Writer, _: Any, __: str) -> Term:
    """Write that no byte may be left."""
    with w.block(f"if ({w.reader}.bit < {w.reader}.end)"):
        left = f'"expected no more bytes, got " + ({w.reader}.end - {w.reader}.bit) / 8'
        w.line(f"{w.scope.call('refuse', left)};")
    return Term("null", shapes.ABSENT)


def computed(w: Writer, node: Any, _: str) -> Term:
    """Write a value that takes no bits."""
    return term(node.func, w.scope)


def const(w: Writer, node: Any, wish: str) -> Term:
    """Write a value that must be the declared one."""
    found = w.value(node.subcon, wish)
    if not found.shape.is_number or found.shape.named or shapes.of_constant(node.value) is None:
        w.scope.fail("a number as the constant", repr(node.value))
    expected = int(node.value) if isinstance(node.value, int) else node.value
    shape = Shape(found.shape.kinds, found.shape.low, found.shape.high)
    return Term(w.scope.call("constant", found.code, literal(expected)), shape, safe=False)


def enum(w: Writer, node: Any, wish: str) -> Term:
    """Write a code; its number is kept."""
    found = w.value(node.subcon, wish)
    if not found.shape.is_number or found.shape.optional or "float" in found.shape.kinds:
        w.scope.fail("a whole number in an Enum", shapes.describe(found.shape))
    return Term(found.code, shapes.named(found.shape), found.compound, found.safe)


def wrapped(w: Writer, node: Any, wish: str) -> Term:
    """Write what a node wraps that only building makes use of."""
    return w.value(node.subcon, wish)


def check(w: Writer, node: Any, _: str) -> Term:
    """Write a condition that a payload must fulfil."""
    holds = condition(node.func, w.scope)
    with w.block(f"if (!({holds.code}))"):
        told = text(f"expected {comment(repr(node.func))}, got otherwise")
        w.line(f"{w.scope.call('refuse', told)};")
    return Term("null", shapes.ABSENT)
