"""The columnar executor: a batch of equally long payloads read as NumPy columns, derived from the layout.

The layout's tree is walked once a batch. Inside a part of the batch where control flow is the same, every
field stands at a constant bit offset, so that a field is one expression over whole byte columns. Where a
count, a switch or a condition depends on the data, the part is split by its values. Rows that do not fit
(a wrong constant, too short, bytes left over) are set apart as odd and go to the scalar parser, alone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import construct as c
import numpy as np
from construct.lib import bits2bytes, bytes2bits

from loamline_codecs.expressions import LISTED, evaluate
from loamline_codecs.part import Bytes, Field, Part, Rows, turned, turned_back, unsigned
from loamline_codecs.walkable import FLAG, PASS, TERMINATED, WIDEST_BITS


class Walk:
    """One walk of a layout over one batch of equally long payloads; `odd` collects the rows that do not fit."""

    def __init__(self) -> None:
        self.odd: list[Rows] = []

    def read(self, layout: Any, octets: Bytes) -> list[Part]:
        """Return the parts that `layout` reads whole; `part.value` is the tree of raw columns.

        `octets` has shape (length, n): byte k of every payload in row k.
        """
        whole = Part(np.arange(octets.shape[1], dtype=np.int64), octets, frames=[{}])
        read = self._node(layout, whole, "")
        fits = []
        for part in read:
            fits += self._set_apart(part) if part.left else [part]
        return fits

    def _node(self, node: Any, part: Part, path: str) -> list[Part]:
        if type(node) is c.Renamed:
            return self._node(node.subcon, part, f"{path}.{node.name}" if path else node.name)
        return _READERS[type(node)](self, node, part, path)

    # Leaves ------------------------------------------------------------------------------------------

    def _set_apart(self, part: Part) -> list[Part]:
        self.odd.append(part.rows)
        return []

    def _take(self, part: Part, bits: int, path: str, *, filling: bool = False) -> int:
        first = part.bit
        part.bit += bits
        part.fields.append(Field(path, first, bits, filling))
        return first

    def _integer(self, part: Part, bits: int, path: str, *, signed: bool, swapped: bool) -> list[Part]:
        if not 0 < bits <= WIDEST_BITS or bits > part.left:
            return self._set_apart(part)
        first = self._take(part, bits, path)
        part.value = unsigned(part.octets, first, bits, swapped=swapped)
        if signed:
            half = 1 << (bits - 1)
            part.value = np.where(part.value >= half, part.value - (1 << bits), part.value)
        return [part]

    def _format_field(self, node: Any, part: Part, path: str) -> list[Part]:
        letter, little = node.fmtstr[-1], node.fmtstr[0] in "<="
        if letter in "fd":
            return self._float(node, part, path)
        return self._integer(part, 8 * node.length, path, signed=letter in "bhilq", swapped=little and node.length > 1)

    def _float(self, node: Any, part: Part, path: str) -> list[Part]:
        if 8 * node.length > part.left:
            return self._set_apart(part)
        first = self._take(part, 8 * node.length, path)
        # Byte by byte, since inside a BitStruct a float may start at any bit.
        octets = [unsigned(part.octets, first + 8 * k, 8) for k in range(node.length)]
        block = np.stack(octets, axis=1).astype(np.uint8)
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
            part.value = block.view(np.dtype(node.fmtstr)).reshape(-1).astype(np.float64)
        return [part]

    def _bytes_integer(self, node: Any, part: Part, path: str) -> list[Part]:
        return self._sized_integer(node, part, path, unit=8)

    def _bits_integer(self, node: Any, part: Part, path: str) -> list[Part]:
        return self._sized_integer(node, part, path, unit=1)

    def _sized_integer(self, node: Any, part: Part, path: str, *, unit: int) -> list[Part]:
        """Read a number whose length and byte order may depend on the data."""

        def read(swapped: int, length: int, p: Part) -> list[Part]:
            bits = unit * length
            if swapped and bits % 8:
                return self._set_apart(p)
            return self._integer(p, bits, path, signed=bool(node.signed), swapped=bool(swapped))

        return self._by_value(
            node.swapped,
            part,
            lambda swapped, p: self._by_value(node.length, p, lambda length, q: read(swapped, length, q)),
        )

    def _flag(self, _: Any, part: Part, path: str) -> list[Part]:
        parts = self._integer(part, 1 if part.in_bits else 8, path, signed=False, swapped=False)
        for read in parts:
            read.value = read.value != 0
        return parts

    def _pass(self, _: Any, part: Part, __: str) -> list[Part]:
        part.value = None
        return [part]

    def _terminated(self, _: Any, part: Part, __: str) -> list[Part]:
        part.value = None
        return self._set_apart(part) if part.left else [part]

    def _computed(self, node: Any, part: Part, _: str) -> list[Part]:
        value = evaluate(node.func, part.frames)
        part.value = value if isinstance(value, np.ndarray) else np.full(len(part.rows), value)
        return [part]

    # Values that decide whether a row fits -----------------------------------------------------------

    def _fitting(self, part: Part, fits: Any) -> list[Part]:
        keep = np.broadcast_to(np.asarray(fits, dtype=bool), part.rows.shape)
        if keep.all():
            return [part]
        self.odd.append(part.rows[~keep])
        return [part.only(keep)] if keep.any() else []

    def _const(self, node: Any, part: Part, path: str) -> list[Part]:
        return [q for p in self._node(node.subcon, part, path) for q in self._fitting(p, p.value == node.value)]

    def _check(self, node: Any, part: Part, _: str) -> list[Part]:
        fits = evaluate(node.func, part.frames)
        part.value = None
        return self._fitting(part, fits)

    # Containers --------------------------------------------------------------------------------------

    def _struct(self, node: Any, part: Part, path: str) -> list[Part]:
        part.frames.append({})
        parts = [part]
        for subcon in node.subcons:
            parts = [q for p in parts for q in self._node(subcon, p, path)]
            if subcon.name:
                for p in parts:
                    p.frames[-1][subcon.name] = p.value
        for p in parts:
            p.value = p.frames.pop()
        return parts

    def _sequence(self, node: Any, part: Part, path: str) -> list[Part]:
        part.frames.append({})
        return self._listed(part, node.subcons, path, own_frame=True)

    def _array(self, node: Any, part: Part, path: str) -> list[Part]:
        return self._by_value(
            node.count, part, lambda count, p: self._listed(p, [node.subcon] * count, path, own_frame=False)
        )

    def _greedy_range(self, node: Any, part: Part, path: str) -> list[Part]:
        count = part.left // (8 * node.subcon.sizeof())
        return self._listed(part, [node.subcon] * count, path, own_frame=False)

    def _listed(self, part: Part, subcons: list[Any], path: str, *, own_frame: bool) -> list[Part]:
        # The list under construction lives in a frame of its own, so that a split slices it too.
        part.frames.insert(0, {LISTED: []})
        parts = [part]
        for index, subcon in enumerate(subcons):
            read = []
            for p in parts:
                p.frames[-1]["_index"] = index
                read += self._node(subcon, p, f"{path}[{index}]")
            parts = read
            for p in parts:
                p.frames[0][LISTED].append(p.value)
                if own_frame and subcon.name:
                    p.frames[-1][subcon.name] = p.value
        for p in parts:
            p.value = p.frames.pop(0)[LISTED]
            if own_frame:
                p.frames.pop()
        return parts

    def _padded(self, node: Any, part: Part, path: str) -> list[Part]:
        start = part.bit
        return self._by_value(node.length, part, lambda length, p: self._pad_to(node.subcon, p, path, start, length))

    def _pad_to(self, subcon: Any, part: Part, path: str, start: int, length: int) -> list[Part]:
        bits = length * (1 if part.in_bits else 8)
        if bits > part.left:
            return self._set_apart(part)
        parts = self._node(subcon, part, path)
        fits = []
        for p in parts:
            if start + bits > p.bit:
                self._take(p, start + bits - p.bit, path, filling=True)
            fits += [p] if p.bit == start + bits else self._set_apart(p)
        return fits

    # Control flow ------------------------------------------------------------------------------------

    def _by_value(self, value: Any, part: Part, read: Callable[[int, Part], list[Part]]) -> list[Part]:
        """Split by a whole number that an expression gives, and read each piece with its own."""
        number = evaluate(value, part.frames) if callable(value) else value
        pieces = part.split(number) if isinstance(number, np.ndarray) else ((number, part),)
        parts = []
        for one, piece in pieces:
            whole = isinstance(one, int | np.integer | np.bool_) and one >= 0
            parts += read(int(one), piece) if whole else self._set_apart(piece)
        return parts

    def _if_then_else(self, node: Any, part: Part, path: str) -> list[Part]:
        condition = evaluate(node.condfunc, part.frames) if callable(node.condfunc) else node.condfunc
        if not isinstance(condition, np.ndarray):
            return self._node(node.thensubcon if condition else node.elsesubcon, part, path)
        return [
            q
            for truth, piece in part.split(condition.astype(bool))
            for q in self._node(node.thensubcon if truth else node.elsesubcon, piece, path)
        ]

    def _switch(self, node: Any, part: Part, path: str) -> list[Part]:
        key = evaluate(node.keyfunc, part.frames) if callable(node.keyfunc) else node.keyfunc
        if not isinstance(key, np.ndarray):
            return self._node(node.cases.get(key, node.default), part, path)
        return [
            q
            for one, piece in part.split(key)
            for q in self._node(node.cases.get(one.item(), node.default), piece, path)
        ]

    def _transformed(self, node: Any, part: Part, path: str) -> list[Part]:
        if node.decodefunc in (bytes2bits, bits2bytes):
            return self._in_bits(node.subcon, part, path, in_bits=node.decodefunc is bytes2bits)
        # The whole region is turned round first; what is inside is read from the turned bytes.
        size = node.decodeamount
        if 8 * size > part.left:
            return self._set_apart(part)
        first, former, known = part.bit // 8, part.octets, len(part.fields)
        region = slice(first, first + size)
        part.octets = former.copy()
        part.octets[region] = turned(former[region], node.decodefunc)
        parts = self._node(node.subcon, part, path)
        for p in parts:
            p.octets = p.octets.copy()
            p.octets[region] = turned(p.octets[region], node.decodefunc)
            p.fields[known:] = [turned_back(leaf, region, node.decodefunc) for leaf in p.fields[known:]]
        return parts

    def _in_bits(self, subcon: Any, part: Part, path: str, *, in_bits: bool) -> list[Part]:
        before = part.in_bits
        part.in_bits = in_bits
        parts = self._node(subcon, part, path)
        for p in parts:
            p.in_bits = before
        return parts

    def _wrapped(self, node: Any, part: Part, path: str) -> list[Part]:
        return self._node(node.subcon, part, path)


_READERS: dict[type, Callable[[Walk, Any, Part, str], list[Part]]] = {
    FLAG: Walk._flag,  # noqa: SLF001 - the table of this class's own readers
    PASS: Walk._pass,  # noqa: SLF001
    TERMINATED: Walk._terminated,  # noqa: SLF001
    c.FormatField: Walk._format_field,  # noqa: SLF001
    c.BytesInteger: Walk._bytes_integer,  # noqa: SLF001
    c.BitsInteger: Walk._bits_integer,  # noqa: SLF001
    c.Struct: Walk._struct,  # noqa: SLF001
    c.Sequence: Walk._sequence,  # noqa: SLF001
    c.Array: Walk._array,  # noqa: SLF001
    c.GreedyRange: Walk._greedy_range,  # noqa: SLF001
    c.Padded: Walk._padded,  # noqa: SLF001
    c.Const: Walk._const,  # noqa: SLF001
    c.Enum: Walk._wrapped,  # noqa: SLF001
    c.IfThenElse: Walk._if_then_else,  # noqa: SLF001
    c.Switch: Walk._switch,  # noqa: SLF001
    c.Computed: Walk._computed,  # noqa: SLF001
    c.Rebuild: Walk._wrapped,  # noqa: SLF001
    c.Default: Walk._wrapped,  # noqa: SLF001
    c.Check: Walk._check,  # noqa: SLF001
    c.Transformed: Walk._transformed,  # noqa: SLF001
}
