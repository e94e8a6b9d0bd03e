"""Load: how late and how dear a daemon stores what a real broker delivers, beside a subscriber that only counts."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from tests.bench.measure import Figure, every_core
from tests.support.daemon import Daemon, until
from tests.support.large_store import fleet_store, uplink
from tests.support.mosquitto import Mosquitto, mosquitto_program

PROBES, HOURS = 1_000, 150
_CLOCK = os.sysconf("SC_CLK_TCK")
_CLIENTS = [sys.executable, "-m", "tests.bench.load_clients"]


@dataclass(frozen=True)
class Load:
    """So many uplinks a second for so long, and what of delay and of one core that may take."""

    per_s: int
    seconds: float
    p99_ms: float
    core: float

    @property
    def count(self) -> int:
        """How many uplinks that is."""
        return round(self.per_s * self.seconds)


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield delay and processor time at a rate, and how quickly a backlog is drained."""
    program = mosquitto_program()
    if program is None:
        return
    # Sender and broker are other machines' work, as a rule.
    every_core()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fleet_store(folder / "fleet.duckdb", PROBES, HOURS)
        broker = Mosquitto(program, folder)
        broker.start()
        try:
            first = 0
            with daemon_on(folder / "fleet.duckdb", broker) as daemon:
                for load in (Load(1000, 4 if quick else 60, 100, 0.2), Load(5000, 2 if quick else 30, 150, 0.2)):
                    yield from _at_rate(daemon, broker, load, first)
                    first += load.count
            yield from _backlog(folder, broker, 10_000 if quick else 200_000, first)
        finally:
            broker.stop()


def _at_rate(daemon: TimedDaemon, broker: Mosquitto, load: Load, first: int) -> Iterator[Figure]:
    spent_s = processor_s(daemon.process.pid)
    went = _sent(broker, first, load.count, load.per_s)
    until(lambda: daemon.committed("read") >= first + load.count, 300)
    spent_s = processor_s(daemon.process.pid) - spent_s
    late_ms = 1000 * (committed_at(daemon, first + load.count)[first:] - went)
    p99_ms, core = float(np.percentile(late_ms, 99)), spent_s / float(went[-1] - went[0])
    of = f"{load.count} uplinks of {PROBES} probes at {load.per_s} a second"
    detail = f"{p99_ms:.0f} ms (p99), {np.median(late_ms):.0f} ms (median) from publishing to the commit; {of}"
    name = f"{load.per_s} uplinks a second: {load.p99_ms:g} ms to the delay"
    yield Figure(name, 1, load.p99_ms / p99_ms, detail, "of what is allowed")
    name = f"{load.per_s} uplinks a second: {load.core:.0%} of a core to what the daemon takes"
    yield Figure(name, 1, load.core / core, f"{core:.0%} of a core; {of}", "of what is allowed")


def _backlog(folder: Path, broker: Mosquitto, count: int, first: int) -> Iterator[Figure]:
    """Both have a session that outlives them; the broker keeps for both what comes while they are away."""
    counter = [*_CLIENTS, "count", broker.host, str(broker.port)]
    subprocess.run([*counter, "0"], check=True, capture_output=True)
    _sent(broker, first, count, 0)
    with daemon_on(folder / "fleet.duckdb", broker) as daemon:
        begun = daemon.wait_for("subscribed", 60)
        until(lambda: daemon.committed("read") >= count, 900)
        took_s = daemon.told("committed")[-1]["at_s"] - _instant(begun["timestamp"])
    counted_s = float(subprocess.run([*counter, str(count)], check=True, capture_output=True).stdout)
    detail = f"{count / took_s:.0f} uplinks a second, the bare subscriber {count / counted_s:.0f}; {count} waiting"
    yield Figure("drain a backlog: against 25 000 uplinks a second", 1, count / took_s / 25_000, detail, "of the goal")
    yield Figure("drain a backlog, against a subscriber that only counts", 0.4, counted_s / took_s, detail)


@contextmanager
def daemon_on(store: Path, broker: Mosquitto, *flags: str) -> Iterator[TimedDaemon]:
    """Run the real daemon on a store, subscribed to what `sent` publishes."""
    daemon = Daemon(broker, store, "--topic", "load/#", "--client-id", "load-daemon", *flags)
    try:
        daemon.wait_for("subscribed", 300)
        yield TimedDaemon(daemon)
    finally:
        daemon.terminate()


class TimedDaemon:
    """A daemon whose log lines tell when each commit was."""

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self.process, self.wait_for = daemon.process, daemon.wait_for

    def committed(self, count: str) -> int:
        """Return the sum of one count over its commits."""
        return self._daemon.committed(count)

    def told(self, event: str) -> list[dict[str, float]]:
        """Return the log lines of one event, each with `at_s`, seconds since 1970."""
        return [{**line, "at_s": _instant(line["timestamp"])} for line in self._daemon.told(event)]


def committed_at(daemon: TimedDaemon, count: int) -> np.ndarray:
    """Return when each message was committed, in the order of sending, which one broker and one topic keep."""
    lines = daemon.told("committed")
    return np.repeat([line["at_s"] for line in lines], [int(line["read"]) for line in lines])[:count]


def _instant(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _sent(broker: Mosquitto, first: int, count: int, per_s: int) -> np.ndarray:
    """Publish uplinks number `first` and following; return when each went, seconds since 1970."""
    bodies = (
        uplink(n % PROBES, HOURS + n // PROBES).model_dump_json(exclude_none=True).encode()
        for n in range(first, first + count)
    )
    return sent(broker, bodies, per_s)


def sent(broker: Mosquitto, bodies: Iterable[bytes], per_s: int) -> np.ndarray:
    """Publish bodies at a rate, 0 for as quickly as may be; return when each went, seconds since 1970."""
    done = subprocess.run(
        [*_CLIENTS, "send", broker.host, str(broker.port), str(per_s)],
        input=b"\n".join(bodies),
        check=True,
        capture_output=True,
    )
    return np.frombuffer(done.stdout, dtype=np.float64)


def processor_s(pid: int) -> float:
    """Return the processor time that a process has taken, seconds."""
    fields: Sequence[str] = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _CLOCK
