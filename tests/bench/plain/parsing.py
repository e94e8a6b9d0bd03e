"""One payload at a time through construct: its own `.parse`, or what `.compile()` makes of it."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import construct

from loamline_codecs import Codec, Quantity, SampleGroup

#: Zero bytes appended to learn how long a payload should have been, since construct ignores what is left over.
_SPARE = bytes(512)
#: What construct's expressions, and compiled parsers, raise over odd data.
_FAULTS = (construct.ConstructError, ArithmeticError, LookupError, TypeError, ValueError)


@dataclass(slots=True)
class Figures:
    """What a payload says of one instant at one depth; figures are NaN where absent or a fault code."""

    depth_index: int
    age_minutes: int
    moisture_count: float = math.nan
    permittivity: float = math.nan
    soil_temperature_degc: float = math.nan
    conductivity_ds_m: float = math.nan
    moisture_fault: bool = False
    temperature_fault: bool = False
    out_of_range: bool = False


@dataclass(slots=True)
class Said:
    """One payload, read: its codec, what it says of the probe (None where absent), and its samples."""

    codec: Codec
    uplink: dict[str, float | None]
    samples: list[Figures]


class Parsers:
    """The parser of each codec, by FPort and byte 0."""

    def __init__(self, codecs: Iterable[Codec], *, compiled: bool = False) -> None:
        self._by_head = {}
        for codec in codecs:
            parser = codec.layout.compile() if compiled else codec.layout
            for head in codec.match.first_bytes:
                self._by_head[codec.match.fport, head] = (codec, parser)

    def read(self, fport: int, payload: bytes) -> Said | None:
        """Return what a payload says; None where no codec reads it."""
        codec, parser = self._by_head.get((fport, payload[0]), (None, None)) if payload else (None, None)
        if codec is None:
            return None
        stream = io.BytesIO(payload + _SPARE)
        try:
            tree = parser.parse_stream(stream)
        except _FAULTS:
            return None
        if stream.tell() != len(payload):
            return None
        for bound in codec.bounds:
            value = _raw(tree, bound.field)
            if value is not None and not bound.low <= value <= bound.high:
                return None
        told = {quantity.name: _physical(quantity, tree) for quantity in codec.quantities}
        return Said(codec, told, [sample for group in codec.samples for sample in _samples(group, tree)])


def _raw(tree: Any, path: str) -> Any:
    for name in path.split("."):
        if tree is None:
            return None
        tree = tree.get(name)
    return tree


def _physical(quantity: Quantity, tree: Any) -> float | None:
    raw = _raw(tree, quantity.field)
    return None if raw is None else quantity.physical(raw)


def _samples(group: SampleGroup, tree: Any) -> Iterator[Figures]:
    if group.repeat is None:
        yield _figures(group, tree, Figures(group.depth_index or 0, 0))
        return
    interval = int(_raw(tree, group.age_interval) or 0) if group.age_interval else 0
    for number, element in enumerate(_raw(tree, group.repeat) or ()):
        depth_index = number if group.depth_index is None else group.depth_index
        yield _figures(group, element, Figures(depth_index, number * interval))


def _figures(group: SampleGroup, tree: Any, sample: Figures) -> Figures:
    for quantity in group.quantities:
        raw = _raw(tree, quantity.field)
        if raw is None:
            continue
        figure = quantity.physical(raw)
        if figure is None:
            if quantity.name == "soil_temperature_degc":
                sample.temperature_fault = True
            elif quantity.name in ("moisture_count", "permittivity"):
                sample.moisture_fault = True
            continue
        setattr(sample, quantity.name, figure)
        if quantity.valid is not None and not quantity.valid[0] <= raw <= quantity.valid[1]:
            sample.out_of_range = True
    return sample
