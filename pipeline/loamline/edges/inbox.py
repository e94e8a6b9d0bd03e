"""The bounded queue between MQTT's network thread and the one that stores; bounded by messages and by bytes.

A broker's window of unacknowledged messages is no bound on memory: some send more than they were allowed.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

#: How long a wait may last without a look at `closed`, which a signal handler sets; that must take no lock.
_SLICE_S = 0.2


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message as the broker delivered it; `generation` and `mid` are what its acknowledgement needs."""

    generation: int
    mid: int
    qos: int
    topic: str
    payload: bytes


class Inbox:
    """Deliveries in order of arrival: at most `messages`, at most `size_bytes`; a batch is full at `ripe` of them."""

    def __init__(self, *, messages: int, size_bytes: int, ripe: int) -> None:
        self._messages, self._size_bytes, self._ripe = messages, size_bytes, ripe
        lock = threading.Lock()
        self._room, self._filled = threading.Condition(lock), threading.Condition(lock)
        self._items: deque[tuple[float, Delivery]] = deque()
        self._held_bytes = 0
        self.closed = False

    def __len__(self) -> int:
        return len(self._items)

    def put(self, delivery: Delivery, wait_s: float) -> bool:
        """Append, waiting for room at most `wait_s` seconds; return whether it was taken."""
        until = time.monotonic() + wait_s
        with self._room:
            while self._is_full(len(delivery.payload)) and not self.closed:
                left = until - time.monotonic()
                if left <= 0:
                    return False
                self._room.wait(min(left, _SLICE_S))
            if self.closed:
                return False
            self._items.append((time.monotonic(), delivery))
            self._held_bytes += len(delivery.payload)
            if len(self._items) == 1 or len(self._items) >= self._ripe:
                self._filled.notify()
        return True

    def take(self, *, most: int, wait_s: float, linger_s: float) -> list[Delivery]:
        """Return up to `most` in order: once enough are there, or `linger_s` after the oldest came.

        Nothing within `wait_s` seconds: an empty list. When closed, what is there comes at once. A `wait_s` of 0 asks
        for what is due now, and does not linger for the rest.
        """
        until = time.monotonic() + wait_s
        with self._filled:
            while len(self._items) < self._ripe and not self.closed:
                left = (self._items[0][0] + linger_s if self._items else until) - time.monotonic()
                if left > 0 and wait_s <= 0:
                    return []
                if left <= 0:
                    break
                self._filled.wait(min(left, _SLICE_S))
            batch = [self._items.popleft()[1] for _ in range(min(most, len(self._items)))]
            self._held_bytes -= sum(len(delivery.payload) for delivery in batch)
            self._room.notify_all()
        return batch

    def _is_full(self, more_bytes: int) -> bool:
        # One message over the bound still passes when it is alone, or it would never be read.
        over = self._held_bytes + more_bytes > self._size_bytes
        return len(self._items) >= self._messages or (over and bool(self._items))
