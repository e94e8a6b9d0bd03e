"""The codecs of one installation: routing of messages, decoding of batches."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cached_property

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loamline_codecs.batch import Batch, Decoded
from loamline_codecs.columnar import SMALLEST_PARTITION, read_columns
from loamline_codecs.declaration import Codec, DeclarationError, Message, Refusal
from loamline_codecs.intervals import longest_interval_minutes
from loamline_codecs.scalar import parse
from loamline_codecs.single import read_single
from loamline_codecs.validation import validate


class CodecSet:
    """Codecs that together read every message one way or not at all. Raises DeclarationError on loading."""

    def __init__(self, codecs: Iterable[Codec]) -> None:
        self.codecs = tuple(codecs)
        self._route = np.full((256, 256), -1, dtype=np.int16)
        for index, codec in enumerate(self.codecs):
            validate(codec)
            self._claim(index, codec)
        self._ports = sorted({codec.match.fport for codec in self.codecs})

    def _claim(self, index: int, codec: Codec) -> None:
        if codec.name in (other.name for other in self.codecs[:index]):
            raise DeclarationError(
                f"codec {codec.name}: expected a name of its own, got one that another codec has; rename one of them"
            )
        for first in codec.match.first_bytes:
            holder = self._route[codec.match.fport, first]
            if holder >= 0:
                raise DeclarationError(
                    f"codec {codec.name}: expected messages of its own, got FPort {codec.match.fport} with byte 0 = "
                    f"0x{first:02X}, which codec {self.codecs[holder].name} reads"
                )
            self._route[codec.match.fport, first] = index

    @property
    def longest_age_minutes(self) -> int:
        """How much older than its uplink a sample can be, over all codecs."""
        return max((codec.longest_age_minutes for codec in self.codecs), default=0)

    @cached_property
    def longest_interval_minutes(self) -> float:
        """How far apart its samples a payload can call, over all codecs."""
        return max((longest_interval_minutes(codec) for codec in self.codecs), default=0.0)

    def by_name(self, name: str) -> Codec:
        """Return the codec called `name`; KeyError lists the known ones."""
        for codec in self.codecs:
            if codec.name == name:
                return codec
        raise KeyError(f"expected one of {', '.join(codec.name for codec in self.codecs)}, got {name!r}")

    def codec_for(self, fport: int, payload: bytes) -> Codec | Refusal:
        """Return the codec that reads this message, or why there is none."""
        index = int(self._route[fport, payload[0]]) if payload else -1
        return self.codecs[index] if index >= 0 else self._unrouted(fport, payload[:1])

    def parse(self, fport: int, payload: bytes) -> Message | Refusal:
        """Read one payload with the scalar parser."""
        codec = self.codec_for(fport, payload)
        return codec if isinstance(codec, Refusal) else parse(codec, payload)

    def decode(self, fports: NDArray[np.uint8], payloads: pa.BinaryArray) -> Decoded:
        """Read a batch: `fports` of shape (n,), n payloads. Raises nothing on any bytes."""
        batch = Batch(len(payloads))
        if len(payloads) < SMALLEST_PARTITION:
            for row, (fport, payload) in enumerate(zip(fports.tolist(), payloads.to_pylist(), strict=True)):
                self._read_one(batch, row, fport, payload)
        else:
            self._read_many(batch, fports, payloads)
        return batch.finish()

    def _read_one(self, batch: Batch, row: int, fport: int, payload: bytes) -> None:
        """Read one payload: by its codec's plan, or by the scalar parser where that has none for it."""
        index = int(self._route[fport, payload[0]]) if payload else -1
        if index < 0:
            batch.refusals[row] = self._unrouted(fport, payload[:1])
            return
        codec = self.codecs[index]
        single = read_single(codec.plans, payload)
        if single is not None:
            batch.singles.append((index, row, single))
            return
        message = parse(codec, payload)
        if isinstance(message, Refusal):
            batch.refusals[row] = message
        else:
            batch.messages.append((index, row, message))

    def _read_many(self, batch: Batch, fports: NDArray[np.uint8], payloads: pa.BinaryArray) -> None:
        n = len(payloads)
        offsets = np.frombuffer(payloads.buffers()[1], dtype=np.int32)[payloads.offset : payloads.offset + n + 1]
        starts, lengths = offsets[:-1].astype(np.int64), np.diff(offsets)
        data = payloads.buffers()[2]
        octets = np.frombuffer(data, dtype=np.uint8) if data is not None else np.empty(0, dtype=np.uint8)
        if lengths.all():
            route = self._route[fports, octets[starts]]
        else:
            route = np.full(n, -1, dtype=np.int16)
            filled = np.flatnonzero(lengths)
            route[filled] = self._route[fports[filled], octets[starts[filled]]]
        for rows in _alike(route, lengths):
            index, length = int(route[rows[0]]), int(lengths[rows[0]])
            apart = [rows]
            if index >= 0 and len(rows) >= SMALLEST_PARTITION and not self.codecs[index].row_by_row:
                # A window of `length` bytes at every byte: taking rows of it copies whole payloads.
                windows = np.ndarray((len(octets) - length + 1,), f"V{length}", octets, 0, (1,))
                block = windows[starts[rows]].view(np.uint8).reshape(len(rows), length)
                parts, apart = read_columns(self.codecs[index].plans, rows, block)
                batch.parts += [(index, part) for part in parts]
            for row in np.concatenate(apart) if apart else ():
                start = int(starts[row])
                self._read_one(batch, int(row), int(fports[row]), octets[start : start + length].tobytes())

    def _unrouted(self, fport: int, head: bytes) -> Refusal:
        if fport not in self._ports:
            known = " or ".join(str(port) for port in self._ports)
            return Refusal("port", f"expected FPort {known}, got {fport}")
        if not head:
            return Refusal("length", f"expected a payload on FPort {fport}, got 0 bytes")
        known = ", ".join(
            f"{codec.match.value} in the first {codec.match.leading_bits} bits ({codec.name})"
            for codec in self.codecs
            if codec.match.fport == fport
        )
        return Refusal(
            "version",
            f"expected on FPort {fport} a payload version that is known: {known}; got byte 0 = 0x{head[0]:02X}",
        )


def _alike(route: NDArray[np.int16], lengths: NDArray[np.int32]) -> Iterator[NDArray[np.int64]]:
    """Yield the rows of each codec and payload length, in order."""
    # Codec and length in one key, which NumPy sorts by its digits as long as it is 16 bits wide.
    spread = int(lengths.max(initial=0)) + 1
    key = (route.astype(np.int32) + 1) * np.int32(spread) + lengths
    if int(key.max(initial=0)) < 1 << 16:
        key = key.astype(np.uint16)
    order = np.argsort(key, kind="stable")
    borders = np.flatnonzero(np.diff(key[order])) + 1
    yield from np.split(order, borders)
