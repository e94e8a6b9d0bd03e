"""The scalar parser: one payload through construct's own `.parse`, the reference for every other reader.

construct ignores trailing bytes and says little about missing ones, so lengths are checked here first; its
exceptions are turned into a `Refusal` in this one place.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import construct as c

from loamline_codecs.declaration import Codec, Message, Quantity, Refusal, Sample, SampleGroup
from loamline_codecs.expressions import FAULTS
from loamline_codecs.quantities import MOISTURE
from loamline_codecs.walkable import is_greedy

#: Zero bytes appended to learn how long a payload should have been; more than any LoRa packet holds.
_SPARE = bytes(512)


def parse(codec: Codec, payload: bytes) -> Message | Refusal:
    """Return what `payload` says, or why `codec` refuses it. Raises nothing on any bytes."""
    try:
        tree = _tree(codec, payload)
        if isinstance(tree, Refusal):
            return tree
        uplink = {q.name: _physical(q, field_of(tree, q.field)) for q in codec.quantities}
        samples = [sample for group in codec.samples for sample in _samples(group, tree)]
    except (c.ConstructError, *FAULTS) as problem:
        return _refused(codec, payload, construct_sentence(problem))
    except Exception as problem:  # a layout that is read row by row may hold any code
        if not codec.row_by_row:
            raise
        return _refused(codec, payload, f"expected the layout's own code to read it, got {problem!r}")
    return Message(codec, uplink, tuple(samples))


def _refused(codec: Codec, payload: bytes, what: str) -> Refusal:
    return Refusal("layout", f"codec {codec.name}: {what}; payload {payload.hex()}", codec.name)


def _tree(codec: Codec, payload: bytes) -> Any:
    """Return construct's result; its own length rules are too lax, so the bytes consumed are compared."""
    greedy = is_greedy(codec.layout)
    stream = io.BytesIO(payload if greedy else payload + _SPARE)
    tree = codec.layout.parse_stream(stream)
    expected = stream.tell()
    if expected != len(payload):
        what = f"codec {codec.name}: expected {expected} bytes, got {len(payload)}; payload {payload.hex()}"
        return Refusal("length", what, codec.name)
    for bound in codec.bounds:
        value = field_of(tree, bound.field)
        if value is not None and not bound.low <= value <= bound.high:
            what = f"expected {bound.low} to {bound.high}, got {value}; payload {payload.hex()}"
            return Refusal("layout", f"codec {codec.name}: field {bound.field}: {what}", codec.name)
    return tree


def construct_sentence(problem: Exception) -> str:
    """Return construct's complaint, or that of an expression, as one line: where and what."""
    path = getattr(problem, "path", None)
    steps = path.split(" -> ")[1:] if path else []
    text = str(problem).partition("\n")[2] if path else str(problem)
    return f"field {'.'.join(steps) or 'of the layout'}: {' '.join(text.split())}"


def field_of(tree: Any, path: str) -> Any:
    """Return the raw value at a path of construct's result, a flag or a named code as its number; None where absent."""
    value = at(tree, path)
    return int(value) if isinstance(value, bool | str) else value


def at(tree: Any, path: str) -> Any:
    """Return what stands at a path of the layout, None where its section is absent."""
    for name in path.split("."):
        tree = None if tree is None else tree.get(name)
    return tree


def _physical(quantity: Quantity, raw: Any) -> float | None:
    return None if raw is None else quantity.physical(raw)


def _samples(group: SampleGroup, tree: Any) -> list[Sample]:
    if group.repeat is None:
        return [_sample(group.quantities, tree, group.depth_index or 0, 0)]
    step = int(field_of(tree, group.age_interval) or 0) if group.age_interval else 0
    return [
        _sample(group.quantities, element, index if group.depth_index is None else group.depth_index, index * step)
        for index, element in enumerate(field_of(tree, group.repeat) or ())
    ]


def _sample(quantities: tuple[Quantity, ...], tree: Mapping[str, Any], depth_index: int, age: int) -> Sample:
    figures: dict[str, float | None] = {}
    faults: list[str] = []
    moisture_fault = temperature_fault = out_of_range = False
    for quantity in quantities:
        raw = field_of(tree, quantity.field)
        figures[quantity.name] = _physical(quantity, raw)
        if raw is None:
            continue
        if (fault := quantity.sentence(raw)) is not None:
            faults.append(fault)
            moisture_fault |= quantity.name in MOISTURE
            temperature_fault |= quantity.name == "soil_temperature_degc"
        elif quantity.valid is not None and not quantity.valid[0] <= raw <= quantity.valid[1]:
            out_of_range = True
            faults.append(f"{quantity.name}: expected raw {quantity.valid[0]} to {quantity.valid[1]}, got {raw}")
    return Sample(depth_index, age, figures, tuple(faults), moisture_fault, temperature_fault, out_of_range)
