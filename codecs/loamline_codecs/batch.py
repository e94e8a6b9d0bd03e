"""Whole batches of payloads, decoded: the columns that the chain works on.

Rows are partitioned by codec and length; each partition goes through the columnar executor, except where
it is so small that the scalar parser is quicker. Odd rows go to the scalar parser one by one, so that a
poisoned payload never slows or spoils its batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loamline_codecs.columnar import Walk
from loamline_codecs.declaration import Codec, Message, Quantity, Refusal, SampleGroup
from loamline_codecs.expressions import FAULTS
from loamline_codecs.part import Part
from loamline_codecs.quantities import MOISTURE, SAMPLE_QUANTITIES, UPLINK_QUANTITIES
from loamline_codecs.scalar import field_of, parse

#: Under so many rows the fixed cost of a walk is more than the scalar parser's.
SMALLEST_PARTITION = 30

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Decoded:
    """What a batch of n payloads says, m samples in all.

    `codec`: index into the codec set, -1 where refused, shape (n,). `uplink`: quantities by name, shape (n,).
    `row`: the payload that a sample came in; samples are in payload order. `figures`: quantities by name,
    shape (m,). Every quantity is float64, NaN where absent or a fault code.
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


@dataclass
class _Block:
    """Samples of one element of one group: equally long columns."""

    row: NDArray[np.int64]
    order: int
    depth_index: int
    age_minutes: Any
    figures: dict[str, Floats] = field(default_factory=dict)
    moisture_fault: Any = False
    temperature_fault: Any = False
    out_of_range: Any = False


class BatchDecoder:
    """Collects partitions into one `Decoded`."""

    def __init__(self, size: int) -> None:
        self._codec = np.full(size, -1, dtype=np.int16)
        self._uplink = {name: np.full(size, np.nan) for name in UPLINK_QUANTITIES}
        self._blocks: list[_Block] = []
        self._refusals: dict[int, Refusal] = {}

    def partition(self, codec: Codec, index: int, rows: NDArray[np.int64], octets: NDArray[np.uint8]) -> None:
        """Read equally long payloads of one codec; `octets` has shape (length, n), `rows` their places."""
        walk = Walk()
        every = np.arange(len(rows), dtype=np.int64)
        if len(rows) < SMALLEST_PARTITION:
            walk.odd.append(every)
        else:
            try:
                parts = walk.read(codec.layout, octets)
            except FAULTS:
                # An expression that this data makes meaningless; which rows are at fault, only the scalar tells.
                parts, walk.odd = [], [every]
            for part in parts:
                self._part(codec, index, _within_bounds(codec, part, walk), rows)
        for odd in walk.odd:
            for place in odd:
                self.single(codec, index, int(rows[place]), octets[:, place].tobytes())

    def single(self, codec: Codec, index: int, row: int, payload: bytes) -> None:
        """Read one payload with the scalar parser."""
        message = parse(codec, payload)
        if isinstance(message, Refusal):
            self.refuse(row, message)
            return
        self._codec[row] = index
        for name, value in message.uplink.items():
            self._uplink[name][row] = np.nan if value is None else value
        self._blocks += _blocks_of(message, row)

    def refuse(self, row: int, refusal: Refusal) -> None:
        """Note why a row is not read."""
        self._refusals[row] = refusal

    def _part(self, codec: Codec, index: int, part: Part, rows: NDArray[np.int64]) -> None:
        own = rows[part.rows]
        self._codec[own] = index
        for quantity in codec.quantities:
            column = _column(quantity, part.value)
            if column is not None:
                self._uplink[quantity.name][own] = column
        order = 0
        for group in codec.samples:
            for block in _group_blocks(group, part.value, own):
                block.order = order
                order += 1
                self._blocks.append(block)

    def finish(self) -> Decoded:
        """Return the columns, samples in payload order."""
        blocks = self._blocks
        row = _joined([b.row for b in blocks], np.int64)
        sizes = [len(b.row) for b in blocks]
        order = np.repeat(np.array([b.order for b in blocks], dtype=np.int64), sizes)
        # Row and order in one sort key.
        sort = np.argsort(row * (order.max(initial=0) + 1) + order, kind="stable")

        def whole(name: str, kind: Any) -> Any:
            parts = [np.broadcast_to(np.asarray(getattr(b, name), dtype=kind), b.row.shape) for b in blocks]
            return _joined(parts, kind)[sort]

        figures = {}
        for name in SAMPLE_QUANTITIES:
            parts = [b.figures[name] if name in b.figures else np.full(len(b.row), np.nan) for b in blocks]
            figures[name] = _joined(parts, np.float64)[sort]
        return Decoded(
            codec=self._codec,
            uplink=self._uplink,
            row=row[sort],
            depth_index=whole("depth_index", np.int16),
            age_minutes=whole("age_minutes", np.int32),
            figures=figures,
            moisture_fault=whole("moisture_fault", np.bool_),
            temperature_fault=whole("temperature_fault", np.bool_),
            out_of_range=whole("out_of_range", np.bool_),
            refusals=self._refusals,
        )


def _joined(parts: Sequence[NDArray[Any]], kind: Any) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.empty(0, dtype=kind)


def _within_bounds(codec: Codec, part: Part, walk: Walk) -> Part:
    fits = np.ones(len(part.rows), dtype=bool)
    for bound in codec.bounds:
        value = field_of(part.value, bound.field)
        if value is not None:
            fits &= (value >= bound.low) & (value <= bound.high)
    if fits.all():
        return part
    walk.odd.append(part.rows[~fits])
    return part.only(fits)


def _column(quantity: Quantity, tree: Any) -> Floats | None:
    raw = field_of(tree, quantity.field)
    return None if raw is None else quantity.physical_column(raw)


def _group_blocks(group: SampleGroup, tree: Any, own: NDArray[np.int64]) -> list[_Block]:
    if group.repeat is None:
        return [_block(group.quantities, tree, own, group.depth_index or 0, 0)]
    step = field_of(tree, group.age_interval) if group.age_interval else None
    step = 0 if step is None else step
    return [
        _block(group.quantities, element, own, k if group.depth_index is None else group.depth_index, k * step)
        for k, element in enumerate(field_of(tree, group.repeat) or ())
    ]


def _block(
    quantities: tuple[Quantity, ...], tree: Any, own: NDArray[np.int64], depth_index: int, age_minutes: Any
) -> _Block:
    block = _Block(own, 0, depth_index, age_minutes)
    nothing = np.zeros(len(own), dtype=bool)
    moisture, temperature, outside = nothing.copy(), nothing.copy(), nothing.copy()
    for quantity in quantities:
        raw = field_of(tree, quantity.field)
        if raw is None:
            continue
        block.figures[quantity.name] = quantity.physical_column(raw)
        fault = np.isin(raw, list(quantity.sentinels)) if quantity.sentinels else nothing
        if quantity.name in MOISTURE:
            moisture |= fault
        if quantity.name == "soil_temperature_degc":
            temperature |= fault
        if quantity.valid is not None:
            outside |= ~fault & ~((raw >= quantity.valid[0]) & (raw <= quantity.valid[1]))
    block.moisture_fault, block.temperature_fault, block.out_of_range = moisture, temperature, outside
    return block


def _blocks_of(message: Message, row: int) -> list[_Block]:
    return [
        _Block(
            row=np.array([row], dtype=np.int64),
            order=order,
            depth_index=sample.depth_index,
            age_minutes=sample.age_minutes,
            figures={
                name: np.array([np.nan if value is None else value], dtype=np.float64)
                for name, value in sample.figures.items()
            },
            moisture_fault=sample.moisture_fault,
            temperature_fault=sample.temperature_fault,
            out_of_range=sample.out_of_range,
        )
        for order, sample in enumerate(message.samples)
    ]
