"""What the daemon counts, in Prometheus' text format: base units, units in the names, and no label for a probe.

A label for each probe would make a time series of each; how single probes are is told by `loamline fleet`. Instants
are Unix times, so that an age is a subtraction wherever it is asked for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from importlib.metadata import version

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from loamline.edges.intake import Intake
from loamline.edges.messages import Outcome
from loamline.edges.mirror import MirrorState
from loamline.edges.pulse import Pulse
from loamline.edges.store.connection import Store

#: The counts of `Outcome` and the label of each.
_OUTCOMES = {"accepted": "accepted", "duplicates": "duplicate", "set_aside": "set_aside", "unreadable": "unreadable"}
_COMMIT_BUCKETS_S = (0.005, 0.01, 0.02, 0.05, 0.1, 0.15, 0.25, 0.5, 1, 2.5, 10)
_NEWEST_REASONS = """
    SELECT reason, count(*) FROM (SELECT reason FROM set_aside ORDER BY seq DESC LIMIT ?) GROUP BY reason
"""


class Metrics:
    """The metrics of one daemon, in a registry of its own. `committed` belongs to the thread that stores."""

    def __init__(
        self,
        *,
        intake: Intake,
        pulse: Pulse,
        store_away: threading.Event,
        job: Callable[[], str | None] = lambda: None,
        mirror: Callable[[], MirrorState | None] = lambda: None,
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self._intake, self._pulse, self._store_away, self._job, self._now_s = intake, pulse, store_away, job, now_s
        self._mirror = mirror
        registry = self._registry = CollectorRegistry()
        self._uplinks = Counter(
            "loamline_uplinks", "Messages stored, by what became of them.", ["outcome"], registry=registry
        )
        for label in _OUTCOMES.values():
            self._uplinks.labels(label)
        self._aside = Counter(
            "loamline_set_aside", "Deliveries that no codec reads, by reason.", ["reason"], registry=registry
        )
        self._commits = Histogram(
            "loamline_commit_duration_seconds",
            "From a batch to its being on disk.",
            buckets=_COMMIT_BUCKETS_S,
            registry=registry,
        )
        self._last = Gauge(
            "loamline_last_uplink_timestamp_seconds", "When an uplink was last stored; 0: not yet.", registry=registry
        )
        about = Gauge("loamline_info", "Always 1; the version is the label.", ["version"], registry=registry)
        about.labels(version("loamline")).set(1)
        registry.register(_Now(self._read))

    def committed(self, store: Store, outcome: Outcome) -> None:
        """Count what a commit stored."""
        self._commits.observe(self._pulse.commit_s)
        for name, label in _OUTCOMES.items():
            self._uplinks.labels(label).inc(getattr(outcome, name))
        if outcome.read > outcome.unreadable:
            self._last.set(self._now_s())
        if outcome.set_aside:
            for reason, count in store.con.execute(_NEWEST_REASONS, [outcome.set_aside]).fetchall():
                self._aside.labels(reason).inc(count)

    def text(self) -> bytes:
        """Return them all as they are now."""
        return generate_latest(self._registry)

    @property
    def not_ready(self) -> list[str]:
        """Why not everything that is sent could be stored now; empty where it could."""
        told = ["the store is away"] if self._store_away.is_set() else []
        if self._intake.reserve is not None and not self._intake.reserve.room:
            told.append("too little room on the disk")
        return told + [f"{way['name']} is not open" for way in self._intake.state()["ways_in"] if not way["open"]]

    @property
    def alive(self) -> bool:
        """Whether the thread that stores came round lately."""
        return self._pulse.alive

    def _read(self) -> Iterable[Metric]:
        inbox, reserve, state = self._intake.inbox, self._intake.reserve, self._intake.state()
        job = self._job() or ""
        yield _gauge("queue_messages", "Messages taken and not stored yet.", len(inbox))
        yield _gauge("queue_bytes", "Bytes of messages taken and not stored yet.", inbox.held_bytes)
        yield _gauge("store_open", "1: the store is open.", not self._store_away.is_set())
        yield _counted("store_failures", "Commits that failed and were tried again.", self._pulse.failures)
        yield _gauge("revision_in_progress", "1: readings are being recalculated.", job.startswith(("replay", "revis")))
        if (mirror := self._mirror()) is not None:
            at_s = 0.0 if mirror.mirrored_at is None else mirror.mirrored_at.timestamp()
            yield _gauge("mirror_timestamp_seconds", "Of when the mirror is; 0: it is not whole.", at_s)
            yield _gauge("mirror_failing", "1: the last run of the mirror failed.", mirror.failing_since is not None)
        if reserve is not None:
            yield _gauge("intake_held", "1: nothing is taken for want of room on the disk.", not reserve.room)
            yield _gauge("disk_reserve_bytes", "With less free on the disk nothing is taken.", reserve.reserve_bytes)
            if (free := reserve.free_bytes) is not None:
                yield _gauge("disk_free_bytes", "Free on the disk of the store.", free)
        is_open = GaugeMetricFamily("loamline_way_in_open", "1: messages can come in.", labels=["way_in"])
        took = GaugeMetricFamily(
            "loamline_canary_round_trip_seconds", "Of the last canary that came back.", labels=["way_in"]
        )
        lost = CounterMetricFamily("loamline_canaries_lost", "Canaries that did not come back.", labels=["way_in"])
        for way in state["ways_in"]:
            is_open.add_metric([way["name"]], float(way["open"]))
            if canary := way.get("canary"):
                lost.add_metric([way["name"]], canary["lost"])
                if canary["round_trip_s"] is not None:
                    took.add_metric([way["name"]], canary["round_trip_s"])
        yield from (is_open, took, lost)


class _Now(Collector):
    def __init__(self, read: Callable[[], Iterable[Metric]]) -> None:
        self._read = read

    def collect(self) -> Iterable[Metric]:
        return self._read()


def _gauge(name: str, told: str, value: float) -> Metric:
    return GaugeMetricFamily(f"loamline_{name}", told, value=float(value))


def _counted(name: str, told: str, value: float) -> Metric:
    return CounterMetricFamily(f"loamline_{name}", told, value=float(value))
