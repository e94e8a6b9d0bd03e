"""Requests to the daemon's loop without a socket: one after the other, with all that was answered kept."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any


class Asking:
    """Asks one thing after the other, then calls `done`. `hear` is called with each progress."""

    def __init__(self, *requests: dict[str, Any]) -> None:
        self._left = list(requests)
        self._waits = False
        self._since_s = self.took_s = 0.0
        self.gone = False
        self.done: Callable[[], None] = lambda: None
        self.hear: Callable[[dict[str, Any]], None] = lambda _: None
        self.results: list[Any] = []
        self.errors: list[str] = []
        self.heard: list[dict[str, Any]] = []

    def start(self) -> None:
        """Nothing to listen to."""

    def next_request(self) -> tuple[Asking, dict[str, Any]] | None:
        if self._waits or not self._left:
            return None
        self._waits, self._since_s = True, time.perf_counter()
        return self, self._left.pop(0)

    def progress(self, told: dict[str, Any]) -> None:
        self.heard.append(told)
        self.hear(told)

    def result(self, told: Any) -> None:
        self.results.append(told)
        self._answered()

    def error(self, sentence: str) -> None:
        self.errors.append(sentence)
        self._answered()

    def _answered(self) -> None:
        self._waits = False
        self.took_s = time.perf_counter() - self._since_s
        if not self._left:
            self.done()

    def close(self) -> None:
        """Nothing to leave."""


class Either(Asking):
    """Asks whatever `pick` returns, of several that ask."""

    def __init__(self, pick: Callable[[], tuple[Asking, dict[str, Any]] | None]) -> None:
        super().__init__()
        self._pick = pick

    def next_request(self) -> tuple[Asking, dict[str, Any]] | None:
        return self._pick()

    def finish(self) -> None:
        """Say that all is answered."""
        self.done()
