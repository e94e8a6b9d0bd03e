"""How long live messages are held up while the daemon replays: its real loop, with a source that keeps time."""

from __future__ import annotations

import io
import json
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from loamline.app.ingest import Ingest, make_log
from loamline.edges.inbox import Delivery
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline_codecs import builtin_codecs
from tests.bench.measure import Figure
from tests.support.asking import Asking
from tests.support.large_store import fleet_registry, fleet_store, uplink

#: What live commits may be held up, milliseconds.
LONGEST_HOLD_UP_MS = 150.0
PROBES = 1_000
#: A message of so many uplinks, and how soon after the one before it comes; seldomer in a short run.
ROWS, EACH_S, EACH_QUICK_S = 20, 0.02, 0.5


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield the worst hold-up of a live commit while every reading of a fleet is replayed."""
    # One write into the store, of 122 880 readings, is what holds up longest: there are as many at least.
    hours = 130 if quick else 310
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "bench.duckdb"
        fleet_store(store, PROBES, hours)
        source, asked, step_ms = _replay(store, hours, EACH_QUICK_S if quick else EACH_S)
    held_ms, took_ms = 1000 * np.array(source.held_up_s), 1000 * np.array(source.took_s)
    busy_ms = 1000 * max(source.busy_s)
    detail = (
        f"{asked.results[-1]['changed']} readings replayed in {asked.took_s:.0f} s beside {len(took_ms)} commits of "
        f"{ROWS} rows; held up {np.percentile(held_ms, 99):.0f} ms (p99), {held_ms.max():.0f} ms (worst, of which at "
        f"most {busy_ms:.0f} ms of processor time: where the two differ much, the machine is busy), the "
        f"longest step of all {step_ms:.0f} ms; from arrival to acknowledgement {np.percentile(took_ms, 50):.0f} ms "
        f"(median), {took_ms.max():.0f} ms (worst)"
    )
    name = f"replay while live: {LONGEST_HOLD_UP_MS:g} ms, against the worst hold-up of a commit"
    # Few commits may have missed the longest step: the next one need not.
    yield Figure(name, 1, float(LONGEST_HOLD_UP_MS / max(held_ms.max(), step_ms)), detail, "of what is allowed")


class PacedSource:
    """Messages of ROWS uplinks, each `each_s` seconds after the one before came, or as soon as that is stored.

    `held_up_s`: by message, from when it came to when the daemon turned to it. `took_s`: until it was acknowledged.
    `busy_s`: by message, processor time that the daemon spent on other things before it turned to it.
    """

    def __init__(self, messages: Iterator[bytes], each_s: float) -> None:
        self._messages, self._each_s = messages, each_s
        self._next_s = self._came_s = self._spent_s = 0.0
        self._closed = False
        self.held_up_s: list[float] = []
        self.took_s: list[float] = []
        self.busy_s: list[float] = []

    def start(self) -> None:
        self._next_s, self._spent_s = time.perf_counter(), time.process_time()

    def receive(self, wait_s: float) -> list[Delivery]:
        busy_s = time.process_time() - self._spent_s
        self._spent_s += busy_s
        now = time.perf_counter()
        if now < self._next_s:
            time.sleep(min(wait_s, self._next_s - now))
            now = time.perf_counter()
        if now < self._next_s or self._closed:
            return []
        self._came_s = self._next_s
        self.held_up_s.append(now - self._came_s)
        self.busy_s.append(busy_s)
        return [Delivery(1, 1, 1, "bench", next(self._messages))]

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        now = time.perf_counter()
        self.took_s.append(now - self._came_s)
        self._spent_s = time.process_time()
        self._next_s = max(self._came_s + self._each_s, now)
        return len(deliveries)

    def stop_intake(self) -> None:
        self._closed = True

    def close(self) -> None:
        """Nothing to leave."""


def _replay(store: Path, hours: int, each_s: float) -> tuple[PacedSource, Asking, float]:
    """Revise the soil curve and replay everything, while the fleet sends on; tell the longest step too, in ms."""
    with Store.open(store) as opened:
        save_state(opened, fleet_registry(PROBES, slope=0.01), "revised")
    source = PacedSource(_messages(hours), each_s)
    log = io.StringIO()
    asking = Asking({"request": "replay_apply", "reason": "bench", "asked_by": "bench"})
    daemon = Ingest(
        store=store, codecs=builtin_codecs(), source=source, requests=asking, log=make_log("json", file=log)
    )
    asking.done = daemon.stop
    if not daemon.run():
        raise AssertionError("expected everything to be stored")
    steps_ms = [json.loads(line).get("longest_step_ms", 0.0) for line in log.getvalue().splitlines()]
    return source, asking, max(steps_ms)


def _messages(hours: int) -> Iterator[bytes]:
    """Yield lists of ROWS uplinks, the fleet's hours from `hours` on, probe by probe."""
    sent = 0
    while True:
        rows = [uplink((sent + row) % PROBES, hours + (sent + row) // PROBES) for row in range(ROWS)]
        yield ("[" + ",".join(row.model_dump_json(exclude_none=True) for row in rows) + "]").encode()
        sent += ROWS
