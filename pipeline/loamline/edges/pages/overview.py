"""What the whole fleet looks like, kept for a moment, so that a large one is not summed up anew for every reader.

An overview is kept for some times as long as it took to make: making them takes no more than a small share of a
processor, whatever the fleet and however many look. Who finds an old one makes the next; others meanwhile see the old.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from loamline.edges.store.page_fleet import SiteRow
from loamline.edges.store.problem_log import InForce

#: So many times the time that it took, and no longer than this.
_TIMES, _LONGEST_S = 5.0, 60.0


@dataclass(frozen=True)
class Overview:
    """As of when; each probe's health (columns as `api_fleet.HEALTH`); the needy with reasons; each site's newest.

    `beyond`: what the daemon noted of gateways, hardware and the store itself; of everybody's alone.
    """

    as_of: datetime
    health: list[dict[str, Any]]
    needy: list[Any]
    needy_count: int
    sites: dict[str, SiteRow]
    beyond: list[InForce]


class Overviews:
    """The newest overview by customer (None: everybody's). To be used from any thread."""

    def __init__(self) -> None:
        self._held: dict[str | None, tuple[Overview, float]] = {}
        self._making: dict[str | None, threading.Lock] = {}
        self._lock = threading.Lock()

    def get(self, customer: str | None, make: Callable[[], Overview]) -> Overview:
        """Return an overview that is recent enough; `make` is called by one caller at a time."""
        with self._lock:
            held = self._held.get(customer)
            making = self._making.setdefault(customer, threading.Lock())
        if held is not None and time.monotonic() < held[1]:
            return held[0]
        if not making.acquire(blocking=held is None):
            return held[0] if held is not None else make()
        try:
            with self._lock:
                held = self._held.get(customer)
            if held is not None and time.monotonic() < held[1]:
                return held[0]
            begun_s = time.monotonic()
            made = make()
            took_s = time.monotonic() - begun_s
            with self._lock:
                self._held[customer] = made, time.monotonic() + min(_TIMES * took_s, _LONGEST_S)
            return made
        finally:
            making.release()
