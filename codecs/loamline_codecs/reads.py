"""Cutting one number out of payloads: of a whole batch as a column, or of one payload."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Payloads of one length, shape (n, length), each row contiguous.
Block = NDArray[np.uint8]

_REVERSED_BITS = np.array([int(f"{byte:08b}"[::-1], 2) for byte in range(256)], dtype=np.uint8)
_REVERSED = _REVERSED_BITS.tobytes()


@dataclass(frozen=True)
class Read:
    """One number of a payload, or the same number of each element of a list.

    `octets`: the bytes that hold it, the most significant first. `shift`: how many bits stand below it in the last
    of them. `bits`: its width. `turned`: whether the bits of each byte count from the other end. `swapped`: whether
    its own bytes, once cut out, are in the wrong order. `count`: None for one number, else how many elements, each
    `stride` bytes behind the one before.
    """

    octets: tuple[int, ...]
    shift: int
    bits: int
    signed: bool = False
    real: bool = False
    flag: bool = False
    turned: bool = False
    swapped: bool = False
    count: int | None = None
    stride: int = 0

    @cached_property
    def bounds(self) -> tuple[int, int] | None:
        """The least and greatest number that it can be; None for a float."""
        if self.real:
            return None
        if self.flag:
            return 0, 1
        half = 1 << (self.bits - 1)
        return (-half, half - 1) if self.signed else (0, 2 * half - 1)

    @cached_property
    def _order(self) -> str | None:
        """ "big" or "little" where the number is whole bytes side by side, else None."""
        if self.shift or self.bits != 8 * len(self.octets) or self.turned or self.swapped:
            return None
        first, size = self.octets[0], len(self.octets)
        if self.octets == tuple(range(first, first + size)):
            return "big"
        return "little" if self.octets == tuple(range(first, first - size, -1)) else None

    # A batch -----------------------------------------------------------------------------------------

    def column(self, block: Block) -> NDArray[Any]:
        """Return the numbers of every payload, shape (n,) or (count, n), in the narrowest type that is quick."""
        if self.count is None:
            return self._column(block, 0)
        first = self._column(block, 0)
        columns = np.empty((self.count, len(first)), dtype=first.dtype)
        columns[0] = first
        for k in range(1, self.count):
            columns[k] = self._column(block, k * self.stride)
        return columns

    def _column(self, block: Block, offset: int) -> NDArray[Any]:
        if self.real:
            return self._real_column(block, offset)
        size = len(self.octets)
        if self._order is not None and size == 1 and not self.signed:
            number: NDArray[Any] = block[:, self.octets[0] + offset]
        elif self._order is not None and size in (1, 2, 4):
            number = self._whole(block, offset, f"{'i' if self.signed else 'u'}{size}")
        else:
            number = self._gathered(block, offset)
        return (number != 0).view(np.uint8) if self.flag and self.bits > 1 else number

    @cached_property
    def _lowest(self) -> int:
        return min(self.octets)

    def _whole(self, block: Block, offset: int, kind: str) -> NDArray[Any]:
        """Return numbers that are whole bytes side by side, in this machine's byte order."""
        n, length = block.shape
        order = ">" if self._order == "big" else "<"
        return np.ndarray((n,), order + kind, block, self._lowest + offset, (length,)).astype(kind)

    def _octet(self, block: Block, octet: int) -> NDArray[np.uint8]:
        return _REVERSED_BITS[block[:, octet]] if self.turned else block[:, octet]

    def _gathered(self, block: Block, offset: int) -> NDArray[Any]:
        size = len(self.octets)
        number: NDArray[Any] = self._octet(block, self.octets[0] + offset)
        if size > 1:
            number = number.astype(np.uint32 if size <= 4 else np.int64)
            for octet in self.octets[1:]:
                np.left_shift(number, 8, out=number)
                np.bitwise_or(number, self._octet(block, octet + offset), out=number)
        if self.shift:
            number = number >> self.shift
        if self.bits + self.shift < 8 * size:
            number = number & ((1 << self.bits) - 1)
        if self.swapped:
            wide = number.astype(np.int64)
            pieces = [(wide >> shift & 0xFF) << (self.bits - 8 - shift) for shift in range(0, self.bits, 8)]
            number = np.bitwise_or.reduce(pieces)
        if self.signed:
            half = 1 << (self.bits - 1)
            number = (number.astype(np.int64) ^ half) - half
        return number

    def _real_column(self, block: Block, offset: int) -> NDArray[np.float64]:
        size = self.bits // 8
        if self._order is not None:
            number: NDArray[Any] = self._whole(block, offset, f"f{size}")
        else:
            octets = [self._octet(block, octet + offset) for octet in self.octets]
            if self.shift:  # inside a BitStruct a float may start at any bit
                octets = [
                    ((high << (8 - self.shift)) | (low >> self.shift)).astype(np.uint8)
                    for high, low in pairwise(octets)
                ]
            stacked = np.ascontiguousarray(np.stack(octets, axis=-1))
            number = stacked.view(f"{'<' if self.swapped else '>'}f{size}")[:, 0]
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
            return number.astype(np.float64)

    # One payload -------------------------------------------------------------------------------------

    @cached_property
    def number(self) -> Callable[[bytes, Any], Any]:
        """The function that returns the number of one payload; a list of them where there are several elements."""
        if self.count is None:
            return self._reader(0)
        readers = [self._reader(k * self.stride) for k in range(self.count)]
        return lambda payload, values: [read(payload, values) for read in readers]

    def _reader(self, offset: int) -> Callable[[bytes, Any], Any]:
        first, size = min(self.octets) + offset, len(self.octets)
        if (
            (self.flag and self.bits > 1)
            or self.real
            or not (self._order or (size == 1 and not self.turned and not self.signed))
        ):
            return lambda payload, _: self._cut(payload, offset)
        if size == 1 and not self.signed:
            shift, mask = self.shift, (1 << self.bits) - 1
            return lambda payload, _: payload[first] >> shift & mask
        last, order, signed, from_bytes = first + size, self._order, self.signed, int.from_bytes
        return lambda payload, _: from_bytes(payload[first:last], order, signed=signed)  # type: ignore[arg-type]

    def _cut(self, payload: bytes, offset: int) -> Any:
        octets = bytes(payload[octet + offset] for octet in self.octets)
        if self.turned:
            octets = octets.translate(_REVERSED)
        number = (int.from_bytes(octets, "big") >> self.shift) & ((1 << self.bits) - 1)
        if self.swapped or self.real:
            octets = number.to_bytes(self.bits // 8, "little" if self.swapped else "big")
            if self.real:
                return struct.unpack(">f" if self.bits == 32 else ">d", octets)[0]
            number = int.from_bytes(octets, "big")
        if self.signed and number >> (self.bits - 1):
            number -= 1 << self.bits
        return int(number != 0) if self.flag else number
