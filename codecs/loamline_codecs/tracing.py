"""The walk of a layout's node tree for payloads of one length, which makes the steps that read them.

Inside payloads of one length in which every count, switch and condition is the same, each field stands at a
constant bit offset. The walk is told those choices; where it needs one more, it stops and says what decides it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import construct as c
from construct.lib import bits2bytes, bytes2bits, swapbytes

from loamline_codecs.cursor import OTHERWISE, Compute, Context, Cursor, Misfit, NotUniform, Repeated, Trace, Undecided
from loamline_codecs.expressions import Symbol, element, resolve, slot
from loamline_codecs.reads import Read
from loamline_codecs.walkable import FLAG, PASS, TERMINATED


def trace(layout: Any, length: int, choices: tuple[Any, ...]) -> Trace:
    """Walk `layout` for payloads of `length` bytes in which the first decisions come out as `choices`.

    Raises one of `expressions.FAULTS` or Unplanned where the scalar parser has to read such payloads.
    """
    tracer = _Tracer(length, choices)
    try:
        tracer.found.tree = tracer.node(layout, {"_index": None}, "")
        tracer.found.fits = tracer.bit == 8 * length
    except Undecided as stop:
        tracer.found.decision = stop.decision
    except Misfit:
        tracer.found.fits = False
    return tracer.found


#: Stands for the index of an element that is read for all: whatever depends on it differs between them.
_ANY_INDEX = Symbol("index", frozenset({1 << 30}), None, lambda values: values)


def _nested(context: Context) -> Context:
    """Return the context of a struct inside another, as construct makes it."""
    nested = {"_": context, "_index": context["_index"]}
    nested["_root"] = context.get("_root", nested)
    return nested


class _Tracer(Cursor):
    def node(self, node: Any, context: Context, path: str) -> Any:
        if type(node) is c.Renamed:
            return self.node(node.subcon, context, f"{path}.{node.name}" if path else node.name)
        return _TRACERS[type(node)](self, node, context, path)

    def _format_field(self, node: Any, _: Context, path: str) -> Symbol:
        letter, swapped = node.fmtstr[-1], node.fmtstr[0] in "<=" and node.length > 1
        return self.read(8 * node.length, path, signed=letter in "bhil", swapped=swapped, real=letter in "fd")

    def _bytes_integer(self, node: Any, context: Context, path: str) -> Symbol:
        return self._sized_integer(node, context, path, unit=8)

    def _bits_integer(self, node: Any, context: Context, path: str) -> Symbol:
        return self._sized_integer(node, context, path, unit=1)

    def _sized_integer(self, node: Any, context: Context, path: str, *, unit: int) -> Symbol:
        swapped = self.decide(node.swapped, context, bool, bool)
        bits = unit * self.decide(node.length, context, _whole, int)
        if swapped and bits % 8:
            raise Misfit
        return self.read(bits, path, signed=bool(node.signed), swapped=swapped)

    def _flag(self, _: Any, __: Context, path: str) -> Symbol:
        return self.read(1 if self.in_bits else 8, path, flag=True)

    def _pass(self, _: Any, __: Context, ___: str) -> None:
        return None

    def _terminated(self, _: Any, __: Context, ___: str) -> None:
        if self.left:
            raise Misfit

    def _computed(self, node: Any, context: Context, _: str) -> Any:
        value = self.resolved(node.func, context)
        return slot(self.step(Compute(value)), value.bounds) if isinstance(value, Symbol) else value

    # Values that decide whether a row fits -----------------------------------------------------------

    def _const(self, node: Any, context: Context, path: str) -> Any:
        value = self.node(node.subcon, context, path)
        self.require(resolve(c.this.value == node.value, {"value": value}))
        return value

    def _check(self, node: Any, context: Context, _: str) -> None:
        self.require(self.resolved(node.func, context))

    # Containers --------------------------------------------------------------------------------------

    def _struct(self, node: Any, context: Context, path: str) -> dict[str, Any]:
        own = _nested(context)
        tree = {}
        for subcon in node.subcons:
            value = self.node(subcon, own, path)
            if subcon.name:
                own[subcon.name] = tree[subcon.name] = value
        return tree

    def _sequence(self, node: Any, context: Context, path: str) -> list[Any]:
        own = _nested(context)
        values = []
        for index, subcon in enumerate(node.subcons):
            values.append(self.node(subcon, own, f"{path}[{index}]"))
            if subcon.name:
                own[subcon.name] = values[-1]
        return values

    def _array(self, node: Any, context: Context, path: str) -> Any:
        return self._list(node.subcon, self.decide(node.count, context, _whole, int), context, path)

    def _greedy_range(self, node: Any, context: Context, path: str) -> Any:
        return self._list(node.subcon, self.left // (8 * node.subcon.sizeof()), context, path)

    def _list(self, subcon: Any, count: int, context: Context, path: str) -> Any:
        if count > 8 * len(self.places):
            raise Misfit  # an element has at least a bit, or there is nothing in it to read
        if count > 1 and self.uniform_from is None and not self.in_bits:
            repeated = self._together(subcon, count, context, path)
            if repeated is not None:
                return repeated
        values = []
        for index in range(count):
            context["_index"] = index
            values.append(self.node(subcon, context, f"{path}[{index}]"))
        return values

    def _together(self, subcon: Any, count: int, context: Context, path: str) -> Repeated | None:
        """Read the first element for all; None, with nothing done, where the elements aren't alike."""
        found, bit, before = self.found, self.bit, context["_index"]
        steps, leaves = len(found.steps), len(found.leaves)
        self.uniform_from, context["_index"] = steps, _ANY_INDEX
        try:
            inside = self.node(subcon, context, "")
            stride, odd = divmod(self.bit - bit, 8)
            last = bit // 8 + count * stride
            alike = bool(stride) and not odd and self._straight(bit // 8, last)
        except NotUniform:
            alike = False
        except Undecided:
            del found.steps[steps:]  # they stand for one element as yet
            raise
        finally:
            self.uniform_from = None
        if not alike:
            del found.steps[steps:], found.leaves[leaves:]
            self.bit, context["_index"] = bit, before
            return None
        found.steps[steps:] = [
            replace(read, count=count, stride=stride) for read in found.steps[steps:] if isinstance(read, Read)
        ]
        found.leaves[leaves:] = [
            replace(
                leaf,
                path=f"{path}[{k}]{leaf.path and '.' * (leaf.path[0] != '[')}{leaf.path}",
                first_bit=leaf.first_bit + 8 * k * stride,
                source=leaf.source and element(leaf.source, k),
            )
            for k in range(count)
            for leaf in found.leaves[leaves:]
        ]
        self.bit = bit + 8 * count * stride
        context["_index"] = count - 1
        return Repeated(count, inside)

    def _straight(self, first: int, last: int) -> bool:
        """Whether the stream's bytes follow each other in the payload; Misfit where there are not so many."""
        if last > len(self.places):
            raise Misfit
        octet, turned = self.places[first]
        return self.places[first:last] == [(octet + k, turned) for k in range(last - first)]

    def _padded(self, node: Any, context: Context, path: str) -> Any:
        start, unit = self.bit, 1 if self.in_bits else 8
        end = start + unit * self.decide(node.length, context, _whole, int)
        value = self.node(node.subcon, context, path)
        if end < self.bit:
            raise Misfit
        if end > self.bit:
            first = self.bit
            self.take(end - first)
            self.leaf(path, first, end - first, None)
        return value

    # Control flow ------------------------------------------------------------------------------------

    def _if_then_else(self, node: Any, context: Context, path: str) -> Any:
        chosen = node.thensubcon if self.decide(node.condfunc, context, bool, bool) else node.elsesubcon
        return self.node(chosen, context, path)

    def _switch(self, node: Any, context: Context, path: str) -> Any:
        chosen = self.decide(node.keyfunc, context, lambda key: key if key in node.cases else OTHERWISE, id(node))
        return self.node(node.cases.get(chosen, node.default), context, path)

    def _transformed(self, node: Any, context: Context, path: str) -> Any:
        if node.decodefunc in (bytes2bits, bits2bytes):
            before, self.in_bits = self.in_bits, node.decodefunc is bytes2bits
            value = self.node(node.subcon, context, path)
            self.in_bits = before
            return value
        first, last = self.bit // 8, self.bit // 8 + node.decodeamount
        if last > len(self.places):
            raise Misfit
        former, region = self.places, self.places[first:last]
        turned = region[::-1] if node.decodefunc is swapbytes else [(octet, not back) for octet, back in region]
        self.places = [*former[:first], *turned, *former[last:]]
        value = self.node(node.subcon, context, path)
        self.places = former
        return value

    def _wrapped(self, node: Any, context: Context, path: str) -> Any:
        return self.node(node.subcon, context, path)


def _whole(value: Any) -> int | None:
    """Return a count or a length; None where it can't be one."""
    return int(value) if isinstance(value, int) and value >= 0 else None


_TRACERS: dict[type, Callable[[_Tracer, Any, Context, str], Any]] = {
    FLAG: _Tracer._flag,  # noqa: SLF001 - the table of this class's own readers
    PASS: _Tracer._pass,  # noqa: SLF001
    TERMINATED: _Tracer._terminated,  # noqa: SLF001
    c.FormatField: _Tracer._format_field,  # noqa: SLF001
    c.BytesInteger: _Tracer._bytes_integer,  # noqa: SLF001
    c.BitsInteger: _Tracer._bits_integer,  # noqa: SLF001
    c.Struct: _Tracer._struct,  # noqa: SLF001
    c.Sequence: _Tracer._sequence,  # noqa: SLF001
    c.Array: _Tracer._array,  # noqa: SLF001
    c.GreedyRange: _Tracer._greedy_range,  # noqa: SLF001
    c.Padded: _Tracer._padded,  # noqa: SLF001
    c.Const: _Tracer._const,  # noqa: SLF001
    c.Enum: _Tracer._wrapped,  # noqa: SLF001
    c.IfThenElse: _Tracer._if_then_else,  # noqa: SLF001
    c.Switch: _Tracer._switch,  # noqa: SLF001
    c.Computed: _Tracer._computed,  # noqa: SLF001
    c.Rebuild: _Tracer._wrapped,  # noqa: SLF001
    c.Default: _Tracer._wrapped,  # noqa: SLF001
    c.Check: _Tracer._check,  # noqa: SLF001
    c.Transformed: _Tracer._transformed,  # noqa: SLF001
}
