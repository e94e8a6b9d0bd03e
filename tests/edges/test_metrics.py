"""What the daemon tells of itself over HTTP, read back as a collector and a service manager read it.

Names and units: Prometheus, "Metric and label naming" (base units, the unit as a suffix, _total for counts).
"""

from __future__ import annotations

import io
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from loamline.app.ingest import Ingest, make_log
from loamline.edges.health_server import HealthServer
from loamline.edges.inbox import Delivery, Inbox
from loamline.edges.intake import Intake, IntakeError
from loamline.edges.metrics import Metrics
from loamline.edges.mirror import MirrorState
from loamline.edges.publisher import Publisher
from loamline.edges.pulse import ALIVE_WITHIN_S, Pulse
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import BatchSettings, MetricsSettings
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import a_broker
from tests.support.uplinks import as_bytes, fleet

Samples = dict[tuple[str, tuple[str, ...]], float]


class WayIn:
    """A way in of which a test says how it is, and what came."""

    name = "mqtt 127.0.0.1:1883 as test"

    def __init__(self) -> None:
        self.is_open = True

    def start(self) -> None:
        """Nothing to connect."""

    def tend(self) -> None:
        """Nothing to look after."""

    def hold(self) -> None:
        """Nothing comes anyway."""

    def acknowledge(self, deliveries: Any) -> int:
        return len(deliveries)

    def stop_intake(self) -> None:
        """Nothing comes any more."""

    def close(self) -> None:
        """Nothing to leave."""

    def state(self) -> dict[str, Any]:
        return {"kind": "mqtt", "open": self.is_open, "canary": {"round_trip_s": 0.25, "lost": 2, "missing": False}}


class Told:
    """The metrics of a daemon without a network, and its parts."""

    def __init__(self) -> None:
        self.way_in = WayIn()
        self.away = threading.Event()
        self.now = [0.0]
        self.pulse = Pulse(tell=lambda _: None, watchdog=lambda: None, clock=lambda: self.now[0])
        self.inbox = Inbox(messages=100, size_bytes=10**6, ripe=50)
        intake = self.intake = Intake([self.way_in], inbox=self.inbox, batch=BatchSettings(milliseconds=1))
        self.job: str | None = None
        self.mirror: MirrorState | None = None
        self.metrics = Metrics(
            intake=intake,
            pulse=self.pulse,
            store_away=self.away,
            job=lambda: self.job,
            mirror=lambda: self.mirror,
            now_s=lambda: 1.75e9,
        )

    @property
    def samples(self) -> Samples:
        return read(self.metrics.text().decode())


def read(text: str) -> Samples:
    return {
        (sample.name, tuple(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def server(told: Told) -> Iterator[str]:
    made = HealthServer(MetricsSettings(port=0), told.metrics, make_log("json", file=io.StringIO()))
    made.start()
    yield f"http://127.0.0.1:{made.port}"
    made.close()


def test_commits_are_counted_by_what_became_of_the_messages(told: Told, tmp_path: Path) -> None:
    """The very counts of the daemon's own log; every outcome is there from the start, with 0."""
    assert told.samples["loamline_uplinks_total", ("duplicate",)] == 0
    assert told.samples["loamline_last_uplink_timestamp_seconds", ()] == 0
    sent = list(islice(fleet(5), 60))
    unknown = {**sent[0], "payload_hex": "7f00", "fcnt": 60000}
    bodies = [*map(as_bytes, [*sent, sent[0], unknown]), b"no uplink"]
    for number, body in enumerate(bodies):
        assert told.inbox.put(Delivery(0, number, 1, "t", body, WayIn.name), 0)
    assert told.samples["loamline_queue_messages", ()] == 63
    assert told.samples["loamline_queue_bytes", ()] == sum(map(len, bodies))
    daemon = Ingest(
        store=tmp_path / "s.duckdb",
        codecs=builtin_codecs(),
        source=told.intake,
        log=make_log("json", file=io.StringIO()),
        observers=(told.metrics.committed,),
        pulse=told.pulse,
    )
    daemon.stop()
    assert daemon.run()
    samples, counts = told.samples, daemon.totals
    assert samples["loamline_uplinks_total", ("accepted",)] == counts.accepted > 0
    assert samples["loamline_uplinks_total", ("duplicate",)] == counts.duplicates == 1
    assert samples["loamline_uplinks_total", ("set_aside",)] == counts.set_aside > 0
    assert samples["loamline_uplinks_total", ("unreadable",)] == counts.unreadable == 1
    aside = {labels: value for (name, labels), value in samples.items() if name == "loamline_set_aside_total"}
    assert sum(aside.values()) == counts.set_aside
    assert samples["loamline_commit_duration_seconds_count", ()] >= 1
    assert samples["loamline_last_uplink_timestamp_seconds", ()] == 1.75e9
    assert samples["loamline_queue_messages", ()] == 0


def test_how_it_is_now_is_read_when_asked(told: Told) -> None:
    before = told.samples
    assert before["loamline_store_open", ()] == 1
    assert before["loamline_revision_in_progress", ()] == 0
    assert before["loamline_way_in_open", (WayIn.name,)] == 1
    assert before["loamline_canary_round_trip_seconds", (WayIn.name,)] == 0.25
    assert before["loamline_canaries_lost_total", (WayIn.name,)] == 2
    told.away.set()
    told.job, told.way_in.is_open, told.pulse.failures = "replay_apply", False, 3
    after = told.samples
    assert after["loamline_store_open", ()] == 0
    assert after["loamline_revision_in_progress", ()] == 1
    assert after["loamline_way_in_open", (WayIn.name,)] == 0
    assert after["loamline_store_failures_total", ()] == 3


def test_names_tell_units_and_no_label_is_a_probe(told: Told) -> None:
    families = list(text_string_to_metric_families(told.metrics.text().decode()))
    assert len(families) > 12
    for family in families:
        assert family.name.startswith("loamline_")
        assert family.documentation.endswith(".")
        assert not family.name.endswith(("_ms", "_mb", "_minutes", "_percent"))
    labels = {label for family in families for sample in family.samples for label in sample.labels}
    assert labels <= {"outcome", "reason", "way_in", "version", "le"}


def test_alive_means_that_the_thread_that_stores_comes_round(told: Told, server: str) -> None:
    """A store that is away is no reason to restart the daemon; a thread that hangs is."""
    told.away.set()
    assert httpx.get(f"{server}/healthz").status_code == 200
    told.now[0] += ALIVE_WITHIN_S + 1
    answer = httpx.get(f"{server}/healthz")
    assert (answer.status_code, answer.json()) == (503, {"alive": False})


def test_ready_means_that_all_that_is_sent_could_be_stored_now(told: Told, server: str) -> None:
    assert httpx.get(f"{server}/readyz").json() == {"ready": True, "why_not": []}
    told.away.set()
    told.way_in.is_open = False
    answer = httpx.get(f"{server}/readyz")
    assert answer.status_code == 503
    assert answer.json() == {"ready": False, "why_not": ["the store is away", f"{WayIn.name} is not open"]}


def test_other_paths_and_methods_change_nothing_and_end_in_no_traceback(server: str) -> None:
    assert httpx.get(f"{server}/").status_code == 404
    assert httpx.post(f"{server}/metrics", content=b"x").status_code == 501
    assert httpx.head(f"{server}/metrics").text == ""
    assert httpx.get(f"{server}/metrics?a=b").status_code == 200


def test_whoever_connects_and_says_nothing_holds_nobody_up(server: str) -> None:
    host, port = server.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port))):
        assert httpx.get(f"{server}/healthz").status_code == 200


def test_a_port_that_is_taken_is_told_at_the_start(told: Told) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        server = HealthServer(MetricsSettings(port=port), told.metrics, make_log("json", file=io.StringIO()))
        with pytest.raises(IntakeError, match=rf"expected to listen on .*metrics.port {port}, got "):
            server.start()


@pytest.mark.broker
def test_the_daemon_serves_them_and_is_ready_once_it_is_subscribed(tmp_path: Path) -> None:
    """The real process with a real broker: its canary has a round trip, and what it stored is counted."""
    settings = tmp_path / "settings.toml"
    settings.write_text("[metrics]\nport = 0\n")

    def look(url: str) -> tuple[int, Samples]:
        return httpx.get(f"{url}/readyz").status_code, read(httpx.get(f"{url}/metrics").text)

    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, tmp_path / "s.duckdb", "--config", str(settings))
        url = daemon.wait_for("metrics and health")["url"]
        daemon.wait_for("subscribed")
        with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
            for uplink in islice(fleet(6), 20):
                publisher.publish("loamline/uplinks/a", as_bytes(uplink))
        until(lambda: daemon.committed("read") == 20)
        way_in = f"mqtt {broker.host}:{broker.port} as loamline-ingest"
        until(lambda: ("loamline_canary_round_trip_seconds", (way_in,)) in look(url)[1])
        status, samples = look(url)
        assert status == 200
        assert samples["loamline_uplinks_total", ("accepted",)] == daemon.committed("accepted")
        assert samples["loamline_disk_free_bytes", ()] > 0
        broker.stop()
        until(lambda: look(url)[0] == 503)
        why = httpx.get(f"{url}/readyz").json()["why_not"]
        assert why == [f"{way_in} is not open"]
        assert httpx.get(f"{url}/healthz").status_code == 200
        assert daemon.terminate() == 0


def test_a_mirror_that_is_kept_tells_of_when_it_is_and_whether_it_fails(told: Told) -> None:
    assert ("loamline_mirror_failing", ()) not in told.samples
    told.mirror = MirrorState("/srv/mirror", 60, None)
    assert told.samples["loamline_mirror_timestamp_seconds", ()] == 0
    at = datetime(2026, 5, 1, tzinfo=UTC)
    told.mirror = MirrorState("/srv/mirror", 60, at, failing_since=at, failures=2, last_error="no room")
    assert told.samples["loamline_mirror_timestamp_seconds", ()] == at.timestamp()
    assert told.samples["loamline_mirror_failing", ()] == 1
