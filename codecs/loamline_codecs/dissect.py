"""One payload taken apart: every field with its bits, its raw value and what that means.

For explaining a message to a person; the figures themselves are the scalar parser's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from loamline_codecs.codec_set import CodecSet
from loamline_codecs.declaration import Codec, Message, Quantity, Refusal
from loamline_codecs.scalar import at
from loamline_codecs.single import Single, read_single
from loamline_codecs.walkable import WIDEST_BITS


@dataclass(frozen=True)
class Leaf:
    """One field of a payload.

    `path`: where it stands in the layout, for instance "samples[1].moisture_count". `first_bit` and `bits`: where
    it stands in the payload, from the most significant bit of byte 0. `raw`: its raw value; the bits as they stand
    where the layout names no value, None where those are more than a number. `reserved`: whether it is filling,
    ignored when read. `quantity`: the name of the quantity it maps to, `physical` that figure in `unit` (a UCUM
    code), None for a fault code. `note`: the fault's sentence, the code's label, or the range that `raw` leaves.
    """

    path: str
    first_bit: int
    bits: int
    raw: int | float | None
    reserved: bool = False
    quantity: str | None = None
    physical: float | None = None
    unit: str | None = None
    note: str | None = None

    @property
    def byte_range(self) -> tuple[int, int]:
        """First and last byte, from 0."""
        return self.first_bit // 8, (self.first_bit + self.bits - 1) // 8


@dataclass(frozen=True)
class Dissection:
    """A payload that a codec reads: the message, and its fields in the payload's order.

    `leaves` is empty for the rare payload that only the scalar parser reads: one in which a GreedyRange ends
    before the payload does.
    """

    fport: int
    payload: bytes
    message: Message
    leaves: tuple[Leaf, ...]

    @property
    def faults(self) -> tuple[str, ...]:
        """Return every sample's faults as sentences that say which depth, and how old where it is."""
        return tuple(
            f"depth {sample.depth_index}{_age(sample.age_minutes)}: {fault}"
            for sample in self.message.samples
            for fault in sample.faults
        )


def dissect(codecs: CodecSet, fport: int, payload: bytes) -> Dissection | Refusal:
    """Take one payload apart, or say why no codec reads it. Raises nothing on any bytes."""
    message = codecs.parse(fport, payload)
    if isinstance(message, Refusal):
        return message
    single = read_single(message.codec.plans, payload)
    leaves = [] if single is None else _leaves(message.codec, single, payload)
    return Dissection(fport, payload, message, tuple(sorted(leaves, key=lambda leaf: leaf.first_bit)))


def reserved_mask(leaves: tuple[Leaf, ...], length: int) -> bytes:
    """Return `length` bytes, 0 where a bit is reserved and 1 elsewhere."""
    mask = (1 << 8 * length) - 1
    for leaf in leaves:
        if leaf.reserved:
            mask ^= ((1 << leaf.bits) - 1) << (8 * length - leaf.first_bit - leaf.bits)
    return mask.to_bytes(length, "big")


def label_of(message: Message, name: str) -> str | int | None:
    """Return a code among the message's quantities by its label, or as a number where it has none."""
    figure = message.uplink.get(name)
    quantity = next((q for q in message.codec.quantities if q.name == name), None)
    if figure is None or quantity is None:
        return None
    return quantity.labels.get(quantity.raw(figure), int(figure))


def _leaves(codec: Codec, single: Single, payload: bytes) -> Iterator[Leaf]:
    meanings = _meanings(codec, single.reading.tree)
    whole = int.from_bytes(payload, "big")
    for leaf in single.reading.leaves:
        if leaf.source is not None:
            raw = leaf.source.of(single.values)
            yield _leaf(leaf.path, leaf.first_bit, leaf.bits, raw, meanings.get(leaf.path))
        else:
            bare = whole >> (8 * len(payload) - leaf.first_bit - leaf.bits) & ((1 << leaf.bits) - 1)
            yield Leaf(
                leaf.path, leaf.first_bit, leaf.bits, bare if leaf.bits <= WIDEST_BITS else None, leaf.source is None
            )


def _leaf(path: str, first_bit: int, bits: int, raw: Any, quantity: Quantity | None) -> Leaf:
    if quantity is None:
        return Leaf(path, first_bit, bits, raw)
    note = quantity.sentence(raw) or quantity.labels.get(raw)
    if note is None and quantity.valid is not None and not quantity.valid[0] <= raw <= quantity.valid[1]:
        note = f"expected raw {quantity.valid[0]} to {quantity.valid[1]}"
    return Leaf(
        path,
        first_bit,
        bits,
        raw,
        quantity=quantity.name,
        physical=quantity.physical(raw),
        unit=quantity.unit,
        note=note,
    )


def _meanings(codec: Codec, tree: Any) -> dict[str, Quantity]:
    """Return the quantity of every field path that has one."""
    meanings = {quantity.field: quantity for quantity in codec.quantities}
    for group in codec.samples:
        within = [""]
        if group.repeat is not None:
            within = [f"{group.repeat}[{index}]." for index in range(len(at(tree, group.repeat) or ()))]
        meanings |= {place + quantity.field: quantity for place in within for quantity in group.quantities}
    return meanings


def _age(minutes: int) -> str:
    return f", {minutes} minutes older" if minutes else ""
