"""The columnar executor: a batch of equally long payloads read as NumPy columns, derived from the layout.

The layout's tree is walked once a batch. Inside a part of the batch where control flow is the same, every
field stands at a constant bit offset, so that a field is one expression over whole byte columns. Where a
count, a switch or a condition depends on the data, the part is split by its values. Rows that do not fit
(a wrong constant, too short, bytes left over) are set apart as odd and go to the scalar parser, alone.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import construct as c
import numpy as np
from construct.expr import BinExpr, ExprMixin, UniExpr
from construct.lib import bits2bytes, bytes2bits, swapbytes
from numpy.typing import NDArray

from loamline_codecs.walkable import FLAG, PASS, TERMINATED

Bytes = NDArray[np.uint8]
Rows = NDArray[np.int64]

_REVERSED_BITS = np.array([int(f"{byte:08b}"[::-1], 2) for byte in range(256)], dtype=np.uint8)


@dataclass
class Part:
    """Rows of a batch that are read alike.

    `rows`: their positions in the batch, shape (n,). `octets`: their payloads as byte columns, shape
    (length, n). `bit`: how far they are read. `frames`: the fields read so far, outermost first. `fields`:
    every leaf's path, first bit and width, for dissection.
    """

    rows: Rows
    octets: Bytes
    bit: int = 0
    frames: list[dict[str, Any]] = field(default_factory=list)
    value: Any = None
    in_bits: bool = False
    fields: list[tuple[str, int, int]] = field(default_factory=list)

    def only(self, keep: NDArray[np.bool_]) -> Part:
        """Return the rows where `keep` is true, shape (n,), as a part of their own."""
        return Part(
            self.rows[keep],
            self.octets[:, keep],
            self.bit,
            [_only(frame, keep) for frame in self.frames],
            _only(self.value, keep),
            self.in_bits,
            list(self.fields),
        )


def _only(value: Any, keep: NDArray[np.bool_]) -> Any:
    if isinstance(value, np.ndarray):
        return value[keep]
    if isinstance(value, dict):
        return {name: _only(item, keep) for name, item in value.items()}
    if isinstance(value, list):
        return [_only(item, keep) for item in value]
    return value


class Walk:
    """One walk of a layout over one batch of equally long payloads; `odd` collects the rows that do not fit."""

    def __init__(self) -> None:
        self.odd: list[Rows] = []

    def read(self, layout: Any, octets: Bytes) -> list[Part]:
        """Return the parts that `layout` reads whole; `part.value` is the tree of raw columns.

        `octets` has shape (length, n): byte k of every payload in row k.
        """
        whole = Part(np.arange(octets.shape[1], dtype=np.int64), octets)
        read = self._node(layout, whole, "")
        fits = []
        for part in read:
            if part.bit == 8 * octets.shape[0]:
                fits.append(part)
            else:
                self.odd.append(part.rows)
        return fits

    def _node(self, node: Any, part: Part, path: str) -> list[Part]:
        if type(node) is c.Renamed:
            return self._node(node.subcon, part, f"{path}.{node.name}" if path else node.name)
        return _READERS[type(node)](self, node, part, path)

    # Leaves ------------------------------------------------------------------------------------------

    def _has(self, part: Part, bits: int) -> bool:
        if part.bit + bits <= 8 * part.octets.shape[0]:
            return True
        self.odd.append(part.rows)
        return False

    def _take(self, part: Part, bits: int, path: str) -> int:
        first = part.bit
        part.bit += bits
        part.fields.append((path, first, bits))
        return first

    def _integer(self, part: Part, bits: int, path: str, *, signed: bool, swapped: bool) -> list[Part]:
        if not self._has(part, bits):
            return []
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
        if not self._has(part, 8 * node.length):
            return []
        first = self._take(part, 8 * node.length, path) // 8
        block = np.ascontiguousarray(part.octets[first : first + node.length].T)
        part.value = block.view(np.dtype(node.fmtstr)).reshape(-1).astype(np.float64)
        return [part]

    def _bytes_integer(self, node: Any, part: Part, path: str) -> list[Part]:
        swapped = bool(evaluate(node.swapped, part)) if callable(node.swapped) else bool(node.swapped)
        return self._by_value(
            node.length,
            part,
            lambda length, p: self._integer(p, 8 * length, path, signed=bool(node.signed), swapped=swapped),
        )

    def _bits_integer(self, node: Any, part: Part, path: str) -> list[Part]:
        return self._by_value(
            node.length,
            part,
            lambda length, p: self._integer(p, length, path, signed=bool(node.signed), swapped=bool(node.swapped)),
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
        if part.bit == 8 * part.octets.shape[0]:
            return [part]
        self.odd.append(part.rows)
        return []

    def _computed(self, node: Any, part: Part, _: str) -> list[Part]:
        value = evaluate(node.func, part)
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
        fits = evaluate(node.func, part)
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
        size = node.subcon.sizeof() * (1 if part.in_bits else 8)
        count = (8 * part.octets.shape[0] - part.bit) // size
        return self._listed(part, [node.subcon] * count, path, own_frame=False)

    def _listed(self, part: Part, subcons: list[Any], path: str, *, own_frame: bool) -> list[Part]:
        # The list under construction lives in a frame of its own, so that a split slices it too.
        part.frames.insert(0, {"listed": []})
        parts = [part]
        for index, subcon in enumerate(subcons):
            read = []
            for p in parts:
                if len(p.frames) > 1:
                    p.frames[-1]["_index"] = index
                read += self._node(subcon, p, f"{path}[{index}]")
            parts = read
            for p in parts:
                p.frames[0]["listed"].append(p.value)
                if own_frame and subcon.name:
                    p.frames[-1][subcon.name] = p.value
        for p in parts:
            p.value = p.frames.pop(0)["listed"]
            if own_frame:
                p.frames.pop()
        return parts

    def _padded(self, node: Any, part: Part, path: str) -> list[Part]:
        start = part.bit
        return self._by_value(node.length, part, lambda length, p: self._pad_to(node.subcon, p, path, start, length))

    def _pad_to(self, subcon: Any, part: Part, path: str, start: int, length: int) -> list[Part]:
        bits = length * (1 if part.in_bits else 8)
        if not self._has(part, bits):
            return []
        parts = self._node(subcon, part, path)
        for p in parts:
            if start + bits > p.bit:
                self._take(p, start + bits - p.bit, path)
        return parts

    # Control flow ------------------------------------------------------------------------------------

    def _by_value(self, value: Any, part: Part, read: Callable[[int, Part], list[Part]]) -> list[Part]:
        """Split by a whole number that an expression gives, and read each piece with its own."""
        number = evaluate(value, part) if callable(value) else value
        if not isinstance(number, np.ndarray):
            return read(int(number), part)
        parts = []
        for one, piece in _split(part, number):
            if one < 0:
                self.odd.append(piece.rows)
            else:
                parts += read(int(one), piece)
        return parts

    def _if_then_else(self, node: Any, part: Part, path: str) -> list[Part]:
        condition = evaluate(node.condfunc, part) if callable(node.condfunc) else node.condfunc
        if not isinstance(condition, np.ndarray):
            return self._node(node.thensubcon if condition else node.elsesubcon, part, path)
        return [
            q
            for truth, piece in _split(part, condition.astype(bool))
            for q in self._node(node.thensubcon if truth else node.elsesubcon, piece, path)
        ]

    def _switch(self, node: Any, part: Part, path: str) -> list[Part]:
        key = evaluate(node.keyfunc, part) if callable(node.keyfunc) else node.keyfunc
        if not isinstance(key, np.ndarray):
            return self._node(node.cases.get(key, node.default), part, path)
        return [
            q
            for one, piece in _split(part, key)
            for q in self._node(node.cases.get(one.item(), node.default), piece, path)
        ]

    def _transformed(self, node: Any, part: Part, path: str) -> list[Part]:
        if node.decodefunc in (bytes2bits, bits2bytes):
            return self._in_bits(node.subcon, part, path, in_bits=node.decodefunc is bytes2bits)
        # The whole region is turned round first; what is inside is read from the turned bytes.
        size = node.decodeamount
        if not self._has(part, 8 * size):
            return []
        first, former = part.bit // 8, part.octets
        region = former[first : first + size]
        turned = region[::-1] if node.decodefunc is swapbytes else _REVERSED_BITS[region]
        part.octets = np.concatenate([former[:first], turned, former[first + size :]])
        parts = self._node(node.subcon, part, path)
        for p in parts:
            back = p.octets[first : first + size]
            p.octets = p.octets.copy()
            p.octets[first : first + size] = back[::-1] if node.decodefunc is swapbytes else _REVERSED_BITS[back]
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


def unsigned(octets: Bytes, first_bit: int, bits: int, *, swapped: bool = False) -> NDArray[np.int64]:
    """Return the unsigned number at a bit offset of every payload, shape (n,); at most 56 bits wide.

    `swapped` takes the number's bytes least significant first, wherever in the byte stream they start.
    """
    first, last = first_bit // 8, (first_bit + bits - 1) // 8
    number = np.zeros(octets.shape[1], dtype=np.int64)
    aligned = first_bit % 8 == 0 and bits % 8 == 0
    for index in range(last, first - 1, -1) if swapped and aligned else range(first, last + 1):
        np.left_shift(number, 8, out=number)
        np.bitwise_or(number, octets[index], out=number)
    if not aligned:
        np.right_shift(number, 8 * (last + 1) - (first_bit + bits), out=number)
        np.bitwise_and(number, (1 << bits) - 1, out=number)
        if swapped:
            pieces = [(number >> shift & 0xFF) << (bits - 8 - shift) for shift in range(0, bits, 8)]
            number = np.bitwise_or.reduce(pieces)
    return number


def _split(part: Part, values: NDArray[Any]) -> Iterator[tuple[Any, Part]]:
    found = np.unique(values)
    if len(found) == 1:
        yield found[0], part
        return
    for value in found:
        yield value, part.only(values == value)


def evaluate(expression: Any, part: Part) -> Any:
    """Return what a `this` expression gives over columns: an array of shape (n,), or one value for all rows."""
    context: dict[str, Any] = {}
    for frame in part.frames:
        if "listed" not in frame:
            context = {**frame, "_": context}
    return _evaluate(expression, context)


def _evaluate(expression: Any, context: dict[str, Any]) -> Any:
    kind = type(expression)
    if kind is BinExpr:
        left, right = _evaluate(expression.lhs, context), _evaluate(expression.rhs, context)
        return expression.op(left, right)
    if kind is UniExpr:
        value = _evaluate(expression.operand, context)
        # construct writes `~` as operator.not_, which has no meaning on an array.
        return np.logical_not(value) if expression.op is operator.not_ else expression.op(value)
    return expression(context) if isinstance(expression, ExprMixin) else expression
