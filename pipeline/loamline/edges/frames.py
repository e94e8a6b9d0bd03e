"""Frames over a connected socket: a head of JSON and a body of bytes, each with its length before it.

A frame is two lengths in bytes (32 bits each, big-endian), the head, and the body: an Arrow IPC stream, or empty.
"""

from __future__ import annotations

import json
import socket
import struct
from typing import Any

import pyarrow as pa

_LENGTHS = struct.Struct(">II")
_AT_ONCE_BYTES = 1 << 20


class FrameError(Exception):
    """What came is no frame; the message says what was expected and what came."""


class Frames:
    """Sends and receives frames; for one thread. `most_bytes`: a frame that is longer is not taken."""

    def __init__(self, connection: socket.socket, most_bytes: int) -> None:
        self._connection, self._most_bytes = connection, most_bytes

    def send(self, head: dict[str, Any], body: pa.Buffer | None = None) -> None:
        """Send one frame. Raises OSError where nobody is left or the socket's time limit is over."""
        told = json.dumps(head).encode()
        self._connection.sendall(_LENGTHS.pack(len(told), 0 if body is None else body.size) + told)
        if body is not None:
            self._connection.sendall(body)

    def receive(self) -> tuple[dict[str, Any], pa.Buffer] | None:
        """Return the next frame, None where the other side has left. Raises OSError as `send` does, and FrameError."""
        lengths = self._exactly(_LENGTHS.size)
        if lengths is None:
            return None
        head_bytes, body_bytes = _LENGTHS.unpack(lengths)
        if head_bytes + body_bytes > self._most_bytes:
            raise FrameError(f"expected at most {self._most_bytes} bytes, got {head_bytes + body_bytes}")
        head, body = self._exactly(head_bytes), self._exactly(body_bytes)
        if head is None or body is None:
            return None
        try:
            told = json.loads(head)
        except (ValueError, RecursionError):
            told = None
        if not isinstance(told, dict):
            raise FrameError(f"expected a JSON object, got {bytes(head[:60])!r}")
        return told, pa.py_buffer(body)

    def _exactly(self, count: int) -> bytearray | None:
        # As much as has come, not as much as was announced.
        content = bytearray()
        while len(content) < count:
            some = self._connection.recv(min(count - len(content), _AT_ONCE_BYTES))
            if not some:
                return None
            content += some
        return content


def as_stream(schema: pa.Schema, *batches: pa.RecordBatch) -> pa.Buffer:
    """Return record batches as an Arrow IPC stream."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, schema) as stream:
        for batch in batches:
            stream.write_batch(batch)
    return sink.getvalue()


def of_stream(body: pa.Buffer) -> pa.Table:
    """Return the table of an Arrow IPC stream. Raises pa.ArrowInvalid where it is none."""
    with pa.ipc.open_stream(body) as stream:
        return stream.read_all()
