"""How long live messages are held up while the daemon replays: its real loop, with a source that keeps time."""

from __future__ import annotations

import io
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from loamline.app.ingest import Ingest, make_log
from loamline.app.requests import registry_as_json
from loamline.edges.inbox import Delivery
from loamline_codecs import builtin_codecs
from tests.bench.measure import Figure
from tests.bench.stores import fleet_registry, fleet_store, uplink

#: What live commits may be held up, milliseconds.
LONGEST_HOLD_UP_MS = 150.0
PROBES, HOURS = 1_000, 310
ROWS, EACH_S = 20, 0.02


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield the worst hold-up of a live commit while every reading of a fleet is replayed."""
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "bench.duckdb"
        fleet_store(store, PROBES, HOURS)
        source, asked = _replay(store)
    held_ms, took_ms = 1000 * np.array(source.held_up_s), 1000 * np.array(source.took_s)
    detail = (
        f"{asked.result_told['changed']} readings replayed in {asked.took_s:.0f} s beside {len(took_ms)} commits of {ROWS} rows "
        f"or more; held up {np.percentile(held_ms, 99):.0f} ms (p99), {held_ms.max():.0f} ms (worst); from arrival to "
        f"acknowledgement {np.percentile(took_ms, 50):.0f} ms (median), {took_ms.max():.0f} ms (worst)"
    )
    yield Figure(
        f"replay while live: {LONGEST_HOLD_UP_MS:g} ms to the worst hold-up", 1, LONGEST_HOLD_UP_MS / held_ms.max(), detail
    )


class PacedSource:
    """Messages of ROWS uplinks, each EACH_S seconds after the one before came, or as soon as that is stored.

    `held_up_s`: by message, from when it came to when the daemon turned to it. `took_s`: until it was acknowledged.
    """

    def __init__(self, messages: Iterator[bytes]) -> None:
        self._messages = messages
        self._next_s = self._came_s = 0.0
        self._closed = False
        self.held_up_s: list[float] = []
        self.took_s: list[float] = []

    def start(self) -> None:
        self._next_s = time.perf_counter()

    def receive(self, wait_s: float) -> list[Delivery]:
        now = time.perf_counter()
        if now < self._next_s:
            time.sleep(min(wait_s, self._next_s - now))
            now = time.perf_counter()
        if now < self._next_s or self._closed:
            return []
        self._came_s = self._next_s
        self.held_up_s.append(now - self._came_s)
        return [Delivery(1, 1, 1, "bench", next(self._messages))]

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        now = time.perf_counter()
        self.took_s.append(now - self._came_s)
        self._next_s = max(self._came_s + EACH_S, now)
        return len(deliveries)

    def stop_intake(self) -> None:
        self._closed = True

    def close(self) -> None:
        """Nothing to leave."""


class Asking:
    """Asks one thing after the other; `done` when the last is answered."""

    gone = False

    def __init__(self, *requests: dict[str, Any], done: Callable[[], None]) -> None:
        self._left, self._done = list(requests), done
        self._waits = False
        self._since_s = self.took_s = 0.0
        self.result_told: Any = None
        self.parts: list[str] = []

    def start(self) -> None:
        """Nothing to listen to."""

    def next_request(self) -> tuple[Asking, dict[str, Any]] | None:
        if self._waits or not self._left:
            return None
        self._waits, self._since_s = True, time.perf_counter()
        return self, self._left.pop(0)

    def progress(self, told: dict[str, Any]) -> None:
        self.parts.append(told["part"])

    def result(self, told: Any) -> None:
        self._waits, self.result_told = False, told
        self.took_s = time.perf_counter() - self._since_s
        if not self._left:
            self._done()

    def error(self, sentence: str) -> None:
        raise AssertionError(sentence)

    def close(self) -> None:
        """Nothing to leave."""


def _replay(store: Path) -> tuple[PacedSource, Asking]:
    """Load a revised curve and replay everything, while the fleet sends on."""
    source = PacedSource(_messages())
    asking = Asking(
        {"request": "registry_load", "state": registry_as_json(fleet_registry(PROBES, slope=0.01)), "note": "revised"},
        {"request": "replay_apply", "reason": "bench", "asked_by": "bench"},
        done=lambda: daemon.stop(),
    )
    daemon = Ingest(
        store=store, codecs=builtin_codecs(), source=source, requests=asking, log=make_log("json", file=io.StringIO())
    )
    if not daemon.run():
        raise AssertionError("expected everything to be stored")
    return source, asking


def _messages() -> Iterator[bytes]:
    """Yield lists of ROWS uplinks, the fleet's next hours, probe by probe."""
    sent = 0
    while True:
        rows = [uplink((sent + row) % PROBES, HOURS + (sent + row) // PROBES) for row in range(ROWS)]
        yield ("[" + ",".join(row.model_dump_json(exclude_none=True) for row in rows) + "]").encode()
        sent += ROWS
