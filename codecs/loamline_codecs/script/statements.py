"""A layout as JavaScript statements that read it, bit by bit, into an object of raw values.

construct's classes are matched by `type(node) is`, as everywhere (see `walkable`). Each node's rules are construct's:
what is read first, what is refused, what an expression may look at.
"""

from __future__ import annotations

from typing import Any

import construct as c

from loamline_codecs.declaration import Codec
from loamline_codecs.script import choices, containers, leaves
from loamline_codecs.script.shape import Shape
from loamline_codecs.script.writer import Write, Writer
from loamline_codecs.walkable import FLAG, PASS, TERMINATED, nodes


def layout_statements(codec: Codec) -> tuple[list[str], str, Shape]:
    """Return the statements that read a codec's layout, the variable with the raw values, and what those may be.

    Raises DeclarationError, naming the field, for a node that a script can't read as construct does.
    """
    writer = Writer(codec.name, WRITERS, indexed=any(_asks_for_index(node) for node in nodes(codec.layout)))
    found = writer.value(codec.layout, "payload")
    return writer.lines, found.code, found.shape


def _asks_for_index(node: Any) -> bool:
    return any("'_index'" in repr(node.__dict__.get(name)) for name in _EXPRESSIONS)


_EXPRESSIONS = ("length", "swapped", "count", "condfunc", "keyfunc", "func")

#: How each node of a layout is written.
WRITERS: dict[type, Write] = {
    FLAG: leaves.flag,
    PASS: leaves.nothing,
    TERMINATED: leaves.terminated,
    c.Renamed: containers.renamed,
    c.FormatField: leaves.format_field,
    c.BytesInteger: leaves.sized,
    c.BitsInteger: leaves.sized,
    c.Struct: containers.struct,
    c.Sequence: containers.sequence,
    c.Array: containers.array,
    c.GreedyRange: containers.greedy_range,
    c.Padded: containers.padded,
    c.Const: leaves.const,
    c.Enum: leaves.enum,
    c.IfThenElse: choices.if_then_else,
    c.Switch: choices.switch,
    c.Computed: leaves.computed,
    c.Rebuild: leaves.wrapped,
    c.Default: leaves.wrapped,
    c.Check: leaves.check,
    c.Transformed: choices.transformed,
}
