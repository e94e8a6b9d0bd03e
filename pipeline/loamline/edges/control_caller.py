"""One client of the control socket: what waits to be sent to it, and who goes on with the connection."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable
from typing import Any

READ_BYTES = 65_536
#: Progress is left out for a client that lets so much pile up; what it asked for is still told.
_PILE_BYTES = 262_144
#: Who goes on with a connection.
Taker = Callable[[socket.socket | None], None]


class Caller:
    """One connected client; `gone`: nobody is left to read a reply.

    `progress`, `result`, `error` and `hand_over` are for the thread that answers, the rest for that of the socket.
    """

    def __init__(self, connection: socket.socket, wake: Callable[[], None]) -> None:
        self.connection = connection
        self.gone = self.asked = False
        self.read = bytearray()
        self._wake = wake
        self._lock = threading.RLock()
        self._waiting = bytearray()
        self._taken_at_s = time.monotonic()
        self._taker: Taker | None = None

    def progress(self, told: dict[str, Any]) -> None:
        """Tell how far it is; left out where earlier replies still wait."""
        if len(self._waiting) < _PILE_BYTES:
            self._reply({"progress": told})

    def result(self, told: Any) -> None:
        """Answer the request."""
        self.asked = False
        self._reply({"result": told})

    def error(self, sentence: str) -> None:
        """Answer the request with why it came to nothing."""
        self.asked = False
        self.refuse(sentence)

    def hand_over(self, told: Any, taker: Taker) -> None:
        """Answer the request and leave the connection to `taker`, called by the socket's thread; None once gone."""
        with self._lock:  # as one: whatever is sent after the answer is for the taker
            gone, self._taker = self.gone, taker
            self._reply({"result": told})
        if gone:
            taker(None)

    def refuse(self, sentence: str) -> None:
        """Say that what was sent is no request to be answered."""
        self._reply({"error": sentence})

    def _reply(self, content: dict[str, Any]) -> None:
        line = json.dumps(content, default=str).encode() + b"\n"
        with self._lock:
            if not self._waiting:
                self._taken_at_s = time.monotonic()
            self._waiting += line
        self._wake()

    @property
    def leaves(self) -> bool:
        """Whether the connection is left to somebody else, with all sent."""
        with self._lock:
            return self._taker is not None and not self._waiting

    def give(self) -> None:
        """Leave the connection to whom it was handed over."""
        if self._taker is not None:
            self._taker(self.connection)

    def leave(self) -> None:
        """Take note that nobody is left."""
        with self._lock:
            self.gone, taker = True, self._taker
        self.connection.close()
        if taker is not None:
            taker(None)

    @property
    def waits(self) -> bool:
        """Whether a reply is to be sent."""
        return bool(self._waiting)

    @property
    def waited_s(self) -> float:
        """For how long the client has taken nothing of a reply that waits, seconds."""
        return time.monotonic() - self._taken_at_s if self._waiting else 0.0

    def send(self) -> None:
        """Send what the client takes now. Raises OSError where it is gone."""
        with self._lock:
            if not self._waiting:
                return
            # Never more at once than the kernel takes: the socket does not block.
            sent = self.connection.send(bytes(self._waiting[:READ_BYTES]))
            del self._waiting[:sent]
            self._taken_at_s = time.monotonic()
