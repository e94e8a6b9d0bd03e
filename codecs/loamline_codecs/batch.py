"""Whole batches of payloads, decoded: the columns that the chain works on."""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loamline_codecs.columnar import Part
from loamline_codecs.declaration import Message, Quantity, Refusal
from loamline_codecs.expressions import Symbol
from loamline_codecs.plans import SampleBlock
from loamline_codecs.quantities import MOISTURE, SAMPLE_QUANTITIES, UPLINK_QUANTITIES
from loamline_codecs.single import Single

Floats = NDArray[np.float64]

_UPLINK = {name: index for index, name in enumerate(UPLINK_QUANTITIES)}
_SAMPLE = {name: index for index, name in enumerate(SAMPLE_QUANTITIES)}
#: From so many elements on, columns share one block of memory.
_LARGE = 1 << 15
#: Rows of the fault columns.
_MOISTURE_FAULT, _TEMPERATURE_FAULT, _OUT_OF_RANGE = range(3)


@dataclass(frozen=True)
class Decoded:
    """What a batch of n payloads says, m samples in all.

    `codec`: index into the codec set, -1 where refused, shape (n,). `uplink`: quantities by name, shape (n,).
    `row`: the payload that a sample came in; samples of one payload are in its order, but those of others may stand
    between them. `figures`: quantities by name, shape (m,). Every quantity is float64, NaN where absent or a
    fault code.
    """

    codec: NDArray[np.int16]
    uplink: dict[str, Floats]
    row: NDArray[np.int64]
    depth_index: NDArray[np.int16]
    age_minutes: NDArray[np.int32]
    figures: dict[str, Floats]
    moisture_fault: NDArray[np.bool_]
    temperature_fault: NDArray[np.bool_]
    out_of_range: NDArray[np.bool_]
    refusals: dict[int, Refusal]

    @cached_property
    def oldest_age_minutes(self) -> NDArray[np.int64]:
        """How much older than its uplink each payload's oldest sample is, shape (n,)."""
        oldest = np.zeros(len(self.codec), dtype=np.int64)
        np.maximum.at(oldest, self.row, self.age_minutes)
        return oldest

    def in_payload_order(self) -> Decoded:
        """Return the same with the samples sorted by payload."""
        order = np.argsort(self.row, kind="stable")
        return dataclasses.replace(
            self,
            row=self.row[order],
            depth_index=self.depth_index[order],
            age_minutes=self.age_minutes[order],
            figures={name: column[order] for name, column in self.figures.items()},
            moisture_fault=self.moisture_fault[order],
            temperature_fault=self.temperature_fault[order],
            out_of_range=self.out_of_range[order],
        )


class Batch:
    """Collects what was read of a batch of payloads, and lays it out as one `Decoded`.

    `parts` and `singles` name the index of their codec first; `messages` are what only the scalar parser read.
    """

    def __init__(self, size: int) -> None:
        self._size = size
        self.parts: list[tuple[int, Part]] = []
        self.singles: list[tuple[int, int, Single]] = []
        self.messages: list[tuple[int, int, Message]] = []
        self.refusals: dict[int, Refusal] = {}

    def finish(self) -> Decoded:
        """Return the columns."""
        m = sum(len(part.rows) * part.reading.samples for _, part in self.parts)
        m += sum(single.reading.samples for _, _, single in self.singles)
        m += sum(len(message.samples) for _, _, message in self.messages)
        columns = _Columns(self._size, m)
        for index in dict.fromkeys(index for index, _ in self.parts):
            columns.put_parts(index, [part for own, part in self.parts if own == index])
        for index, row, single in self.singles:
            columns.put_single(index, row, single)
        for index, row, message in self.messages:
            columns.put_message(index, row, message)
        return Decoded(
            codec=columns.codec,
            uplink=dict(zip(_UPLINK, columns.uplink, strict=True)),
            row=columns.row,
            depth_index=columns.depth_index,
            age_minutes=columns.age_minutes,
            figures=dict(zip(_SAMPLE, columns.figures, strict=True)),
            moisture_fault=columns.faults[_MOISTURE_FAULT],
            temperature_fault=columns.faults[_TEMPERATURE_FAULT],
            out_of_range=columns.faults[_OUT_OF_RANGE],
            refusals=self.refusals,
        )


#: Samples that are read alike, the rows they came in, and their quantities with raw values of shape (k, n).
_Block = tuple[SampleBlock, Part, list[tuple[Quantity, NDArray[Any]]]]


class _Columns:
    """The columns of n payloads and m samples; samples are added one after the other."""

    def __init__(self, n: int, m: int) -> None:
        # One block of memory, since the system hands out large ones in large pages, which cost far less to take.
        self.uplink, self.figures, self.row, self.age_minutes, self.depth_index, self.codec, self.faults = _allocated(
            ((len(_UPLINK), n), np.float64),
            ((len(_SAMPLE), m), np.float64),
            ((m,), np.int64),
            ((m,), np.int32),
            ((m,), np.int16),
            ((n,), np.int16),
            ((3, m), np.bool_),
        )
        self.codec.fill(-1)
        self.uplink.fill(np.nan)
        self.faults.fill(0)
        self._next = 0

    def put_parts(self, index: int, parts: list[Part]) -> None:
        """Fill in what was read of one codec as columns; what its parts have in common is done for all at once."""
        rows, raws = defaultdict(list), defaultdict(list)
        blocks: dict[tuple[Any, ...], list[_Block]] = defaultdict(list)
        quantities: dict[str, Quantity] = {}
        for part in parts:
            self.codec[part.rows] = index
            for quantity, source in part.reading.uplink:
                raw = _column(source, part.values, part.rows.shape)
                quantities[quantity.name] = quantity
                rows[quantity.name, raw.dtype].append(part.rows)
                raws[quantity.name, raw.dtype].append(raw)
            for number, block in enumerate(part.reading.blocks):
                shape = (block.count, len(part.rows))
                columns = [(quantity, _column(source, part.values, shape)) for quantity, source in block.figures]
                alike = (number, *((quantity.name, quantity.field, raw.dtype.str) for quantity, raw in columns))
                blocks[alike].append((block, part, columns))
        for (name, kind), pieces in raws.items():
            figures = quantities[name].physical_column(np.concatenate(pieces))
            self.uplink[_UPLINK[name]][np.concatenate(rows[name, kind])] = figures
        for alike in sorted(blocks):  # which keeps the samples of a payload in its order
            self._put_blocks(blocks[alike])

    def _put_blocks(self, blocks: list[_Block]) -> None:
        """Add the samples of blocks that carry the same quantities."""
        first = self._next
        for block, part, _ in blocks:
            self._put_places(block, part)
        span = slice(first, self._next)
        absent = set(_SAMPLE)
        for place, (quantity, _) in enumerate(blocks[0][2]):
            absent.discard(quantity.name)
            self._put_figures(quantity, np.concatenate([columns[place][1].ravel() for _, _, columns in blocks]), span)
        for name in absent:
            self.figures[_SAMPLE[name], span] = np.nan

    def _put_places(self, block: SampleBlock, part: Part) -> None:
        shape = (block.count, len(part.rows))
        span = slice(self._next, self._next + shape[0] * shape[1])
        self._next = span.stop
        numbers = block.element + np.arange(block.count, dtype=np.int32)[:, np.newaxis]
        self.row[span].reshape(shape)[:] = part.rows
        self.depth_index[span].reshape(shape)[:] = numbers if block.depth_index is None else block.depth_index
        ages = self.age_minutes[span].reshape(shape)
        if isinstance(block.age_interval, Symbol):
            interval = _column(block.age_interval, part.values, part.rows.shape).astype(np.int32)
            np.multiply(interval, numbers, out=ages)
        else:
            ages[:] = int(block.age_interval) * numbers

    def _put_figures(self, quantity: Quantity, raw: NDArray[Any], span: slice) -> None:
        fault = quantity.fault_column(raw)
        quantity.physical_column(raw, fault, out=self.figures[_SAMPLE[quantity.name], span])
        if fault is not None and (kind := _fault_kind(quantity)) is not None:
            self.faults[kind, span] |= fault
        if quantity.valid is not None:
            outside = raw > quantity.valid[1]
            if raw.dtype.kind != "u" or quantity.valid[0] > 0:
                outside |= ~(raw >= quantity.valid[0])  # true for NaN as well
            if fault is not None:
                outside &= ~fault
            self.faults[_OUT_OF_RANGE, span] |= outside

    def put_single(self, index: int, row: int, single: Single) -> None:
        """Fill in one payload."""
        self.codec[row] = index
        for figure in single.reading.uplink:
            value = figure.quantity.physical(_value(figure.source, single.values))
            if value is not None:
                self.uplink[_UPLINK[figure.quantity.name], row] = value
        for block in single.reading.blocks:
            interval = int(_value(block.age_interval, single.values))
            raws = [(figure.quantity, _value(figure.source, single.values)) for figure in block.figures]
            for k in range(block.count):
                number = block.element + k
                place = self._next_place(row, number if block.depth_index is None else block.depth_index)
                self.age_minutes[place] = interval * number
                for quantity, raw in raws:
                    self._put_figure(quantity, raw[k] if isinstance(raw, list) else raw, place)

    def _next_place(self, row: int, depth_index: int) -> int:
        place = self._next
        self._next += 1
        self.row[place], self.depth_index[place] = row, depth_index
        self.figures[:, place] = np.nan
        return place

    def _put_figure(self, quantity: Quantity, raw: Any, place: int) -> None:
        value = quantity.physical(raw)
        if value is None:
            if (kind := _fault_kind(quantity)) is not None:
                self.faults[kind, place] = True
            return
        self.figures[_SAMPLE[quantity.name], place] = value
        if quantity.valid is not None and not quantity.valid[0] <= raw <= quantity.valid[1]:
            self.faults[_OUT_OF_RANGE, place] = True

    def put_message(self, index: int, row: int, message: Message) -> None:
        """Fill in what the scalar parser read of one payload."""
        self.codec[row] = index
        for name, value in message.uplink.items():
            self.uplink[_UPLINK[name], row] = np.nan if value is None else value
        for sample in message.samples:
            place = self._next_place(row, sample.depth_index)
            self.age_minutes[place] = sample.age_minutes
            for name, value in sample.figures.items():
                self.figures[_SAMPLE[name], place] = np.nan if value is None else value
            self.faults[:, place] = sample.moisture_fault, sample.temperature_fault, sample.out_of_range


def _allocated(*wanted: tuple[tuple[int, ...], Any]) -> list[NDArray[Any]]:
    """Return uninitialised arrays, large ones in one block; wider types have to come first, to be aligned."""
    if sum(shape[-1] for shape, _ in wanted) < _LARGE:
        return [np.empty(shape, kind) for shape, kind in wanted]
    sizes = [math.prod(shape) * np.dtype(kind).itemsize for shape, kind in wanted]
    block = np.empty(sum(sizes), dtype=np.uint8)
    ends = np.cumsum(sizes)
    return [
        block[end - size : end].view(kind).reshape(shape)
        for (shape, kind), size, end in zip(wanted, sizes, ends, strict=True)
    ]


def _column(source: Any, values: list[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Return a source's raw values in a shape: (n,), or (k, n) where it stands for the k elements of a list."""
    if not isinstance(source, Symbol):
        return np.full(shape, source)
    column = np.asarray(values[source.slot] if source.slot is not None else source.of(values))
    return column if column.shape == shape else np.broadcast_to(column, shape)


def _value(source: Any, values: list[Any]) -> Any:
    if not isinstance(source, Symbol):
        return source
    return values[source.slot] if source.slot is not None else source.of(values)


def _fault_kind(quantity: Quantity) -> int | None:
    if quantity.name in MOISTURE:
        return _MOISTURE_FAULT
    return _TEMPERATURE_FAULT if quantity.name == "soil_temperature_degc" else None
