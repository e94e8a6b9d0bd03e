"""The codecs of one installation: routing of messages, decoding of batches."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loamline_codecs.batch import BatchDecoder, Decoded
from loamline_codecs.declaration import Codec, DeclarationError, Message, Refusal
from loamline_codecs.scalar import parse
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
        n = len(payloads)
        offsets = np.frombuffer(payloads.buffers()[1], dtype=np.int32)[payloads.offset : payloads.offset + n + 1]
        starts, lengths = offsets[:-1].astype(np.int64), np.diff(offsets).astype(np.int64)
        data = payloads.buffers()[2]
        octets = np.frombuffer(data, dtype=np.uint8) if data is not None else np.empty(0, dtype=np.uint8)
        batch = BatchDecoder(n)
        first = np.zeros(n, dtype=np.uint8)
        filled = lengths > 0
        first[filled] = octets[starts[filled]]
        route = np.where(filled, self._route[fports, first], -1)
        for row in np.flatnonzero(route < 0):
            start = starts[row]
            head = octets[start : start + min(1, int(lengths[row]))].tobytes()
            batch.refuse(int(row), self._unrouted(int(fports[row]), head))
        # Codec and length in one key: inside a partition every payload is equally long.
        lengths_apart = int(lengths.max(initial=0)) + 1
        key = route.astype(np.int64) * lengths_apart + lengths
        for value in np.unique(key[route >= 0]):
            rows = np.flatnonzero(key == value)
            index, length = divmod(int(value), lengths_apart)
            block = octets[starts[rows][None, :] + np.arange(length, dtype=np.int64)[:, None]]
            batch.partition(self.codecs[index], index, rows, block)
        return batch.finish()

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
