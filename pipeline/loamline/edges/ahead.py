"""An iterator whose next items are made by a thread of its own, while the last one is being used."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from typing import Generic, TypeVar

Item = TypeVar("Item")

_WAIT_S = 0.1


class Ahead(Generic[Item]):
    """At most `most` items of `items` stand ready; `items` is used by that thread alone. Close it, whatever happens."""

    def __init__(self, items: Iterator[Item], most: int = 1) -> None:
        self._items = items
        self._ready: queue.Queue[tuple[Item] | BaseException | None] = queue.Queue(most)
        self._closed = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._make, name="ahead", daemon=True)
        self._thread.start()

    def take(self, wait_s: float) -> list[Item]:
        """Return the next item by itself, or nothing where it is not ready within `wait_s` or there is none any more.

        Raises what making it raised.
        """
        if self._ended:
            return []
        try:
            told = self._ready.get(timeout=wait_s)
        except queue.Empty:
            return []
        if isinstance(told, tuple):
            return [told[0]]
        self._ended = True
        if told is not None:
            raise told
        return []

    @property
    def ended(self) -> bool:
        """Whether every item was taken."""
        return self._ended

    def close(self) -> None:
        """Have no more items made, and wait until none is being made."""
        self._closed.set()
        self._thread.join()

    def _make(self) -> None:
        told: BaseException | None = None
        try:
            for item in self._items:
                if not self._put((item,)):
                    return
        except BaseException as problem:  # noqa: BLE001 - whoever takes the next item gets it
            told = problem
        self._put(told)

    def _put(self, told: tuple[Item] | BaseException | None) -> bool:
        while not self._closed.is_set():
            try:
                self._ready.put(told, timeout=_WAIT_S)
            except queue.Full:
                continue
            return True
        return False
