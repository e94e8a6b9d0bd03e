"""Rows of a batch that are read alike, and the cutting of numbers out of their byte columns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from construct.lib import swapbytes
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Rows = NDArray[np.int64]

_REVERSED_BITS = np.array([int(f"{byte:08b}"[::-1], 2) for byte in range(256)], dtype=np.uint8)


class Field(NamedTuple):
    """Where a leaf of the layout stands in the payload; `filling` is there to be skipped."""

    path: str
    first_bit: int
    bits: int
    filling: bool = False


@dataclass
class Part:
    """Rows of a batch that are read alike.

    `rows`: their positions in the batch, shape (n,). `octets`: their payloads as byte columns, shape
    (length, n). `bit`: how far they are read. `frames`: the fields read so far, outermost first, beginning with
    the layout's surroundings. `fields`: every leaf, for dissection.
    """

    rows: Rows
    octets: Bytes
    bit: int = 0
    frames: list[dict[str, Any]] = field(default_factory=list)
    value: Any = None
    in_bits: bool = False
    fields: list[Field] = field(default_factory=list)

    @property
    def left(self) -> int:
        """How many bits are yet to be read."""
        return 8 * int(self.octets.shape[0]) - self.bit

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

    def split(self, values: NDArray[Any]) -> Iterator[tuple[Any, Part]]:
        """Yield each of `values`, shape (n,), with the rows that have it."""
        found = np.unique(values)
        if len(found) == 1:
            yield found[0], self
            return
        for value in found:
            yield value, self.only(values == value)


def _only(value: Any, keep: NDArray[np.bool_]) -> Any:
    if isinstance(value, np.ndarray):
        return value[keep]
    if isinstance(value, dict):
        return {name: _only(item, keep) for name, item in value.items()}
    if isinstance(value, list):
        return [_only(item, keep) for item in value]
    return value


def unsigned(octets: Bytes, first_bit: int, bits: int, *, swapped: bool = False) -> NDArray[np.int64]:
    """Return the unsigned number at a bit offset of every payload, shape (n,); at most 56 bits wide.

    `swapped` takes the number's bytes least significant first, wherever in the byte stream they start; its
    width is then a multiple of 8 bits.
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


def turned(region: Bytes, how: Any) -> Bytes:
    """Return byte columns, shape (size, n), turned round as construct's `how` does; twice gives them back."""
    return region[::-1] if how is swapbytes else _REVERSED_BITS[region]


def turned_back(leaf: Field, region: slice, how: Any) -> Field:
    """Return where a leaf of a turned region stands in the payload; in whole bytes where it is torn apart."""
    bit, bits = leaf.first_bit, leaf.bits
    low, high = bit // 8, (bit + bits - 1) // 8
    if high > low and (bit % 8 or bits % 8):
        bit, bits = 8 * low, 8 * (high + 1 - low)
    if how is swapbytes:
        first_bit = 8 * (region.start + region.stop - 1 - high) + bit % 8
    else:
        first_bit = 8 * low + (8 - bit % 8 - bits if high == low else 0)
    return leaf._replace(first_bit=first_bit, bits=bits)
