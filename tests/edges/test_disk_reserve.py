"""A disk that is almost full: nothing more is taken, what was taken is stored, and it goes on by itself."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest

from loamline.app.ingest import Ingest, make_log
from loamline.edges.disk_reserve import DiskReserve
from loamline.edges.inbox import QUEUE_BYTES, Inbox
from loamline.edges.intake import Intake
from loamline.edges.mqtt import Subscriber
from loamline.edges.publisher import Publisher
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import BatchSettings, BrokerSettings
from tests.support.daemon import until
from tests.support.mosquitto import Mosquitto, a_broker
from tests.support.uplinks import as_bytes, fleet, raw_key, raw_log
from tests.support.webhook import served

_MB = 1_000_000


class Disk:
    """A disk whose free bytes are what a test says, looked at whenever asked."""

    def __init__(self, free_mb: float) -> None:
        self.free_mb = free_mb
        self._now = 0.0

    def free(self, _folder: Path) -> int:
        return round(self.free_mb * _MB)

    def clock(self) -> float:
        self._now += 1.0
        return self._now

    def reserve(self, log: io.StringIO | None = None, reserve_mb: int = 100) -> DiskReserve:
        told = make_log("json", file=log or io.StringIO())
        return DiskReserve(Path(), reserve_mb, told, free_bytes=self.free, clock=self.clock)


def test_intake_stops_under_the_reserve_and_goes_on_a_tenth_above_it() -> None:
    """Told once each time; between the two it stays as it was."""
    log = io.StringIO()
    disk = Disk(200)
    reserve = disk.reserve(log)
    rooms = []
    for disk.free_mb in (200, 100, 99.9, 105, 109.9, 110, 105, 100, 20):
        rooms.append(reserve.look())
    assert rooms == [True, True, False, False, False, True, True, True, False]
    events = [json.loads(line) for line in log.getvalue().splitlines()]
    assert [event["event"] for event in events] == [
        "the disk is almost full, nothing is taken until there is room",
        "room on the disk again, taking messages",
        "the disk is almost full, nothing is taken until there is room",
    ]
    assert (events[0]["free_mb"], events[0]["reserve_mb"]) == (99, 100)


def test_without_a_reserve_or_a_disk_that_can_be_asked_nothing_is_stopped() -> None:
    """A reserve of 0 turns it off; a failing statvfs must not stop the daemon."""

    def fails(_folder: Path) -> int:
        raise OSError(5, "Input/output error")

    assert Disk(0).reserve(reserve_mb=0).look()
    log = make_log("json", file=io.StringIO())
    broken = DiskReserve(Path(), 100, log, free_bytes=fails)
    assert broken.look()
    assert broken.free_bytes is None


def test_the_disk_is_asked_once_a_second_at_most() -> None:
    asked: list[Path] = []

    def free(folder: Path) -> int:
        asked.append(folder)
        return 0

    now = iter([0.0, 0.5, 0.9, 1.0, 1.1])
    log = make_log("json", file=io.StringIO())
    reserve = DiskReserve(Path("d"), 1, log, free_bytes=free, clock=lambda: next(now))
    for _ in range(5):
        assert not reserve.look()
    assert asked == [Path("d")] * 2


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with a_broker(tmp_path) as running:
        yield running


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_over_mqtt_the_daemon_hangs_up_and_everything_waits_at_the_broker(
    broker: Mosquitto, tmp_path: Path, protocol: Any
) -> None:
    """Nothing is acknowledged meanwhile; with room again all of it is stored, once."""
    sent = list(islice(fleet(3), 30))
    disk, log = Disk(200), io.StringIO()
    told = make_log("json", file=log)
    batch = BatchSettings(milliseconds=5)
    inbox = Inbox(messages=100, size_bytes=QUEUE_BYTES, ripe=50)
    settings = BrokerSettings(host=broker.host, port=broker.port, protocol=protocol)
    subscriber = Subscriber(broker=settings, batch=batch, log=told, inbox=inbox)
    intake = Intake([subscriber], inbox=inbox, batch=batch, reserve=disk.reserve(log))
    daemon = Ingest(store=tmp_path / "s.duckdb", codecs=builtin_codecs(), source=intake, log=told)
    turns = iter(range(10**9))

    class Script:
        """Runs between two batches, in the daemon's own thread."""

        def turn(self, _store: Any) -> None:
            turn = next(turns)
            if turn == 1:  # the one before looks at the store, with nothing subscribed yet
                until(lambda: subscriber.subscribed)
                disk.free_mb = 5
            elif not disk.free_mb > 100 and not subscriber.connected and "hanging up until" in log.getvalue():
                with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
                    for uplink in sent:
                        publisher.publish("loamline/uplinks/a", as_bytes(uplink))
                assert intake.receive(0) == []
                assert daemon.totals.read == 0
                disk.free_mb = 500
            elif daemon.totals.read == len(sent):
                daemon.stop()
            assert turn < 3000

        def leave(self, _store: Any) -> None:
            """Nothing to finish."""

    daemon._tenders = (Script(),)
    assert daemon.run()
    assert "room on the disk again, connecting again" in log.getvalue()
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(uplink): 1 for uplink in sent}


def test_the_webhook_answers_503_with_retry_after_and_takes_messages_again(tmp_path: Path) -> None:
    """A sender keeps what it could not deliver."""
    (one,) = islice(fleet(4), 1)
    disk = Disk(5)
    with served(None) as hook:
        hook.intake._reserve = disk.reserve()
        assert hook.intake.receive(0) == []
        answer = httpx.post(f"{hook.url}/uplinks", content=as_bytes(one))
        assert answer.status_code == 503
        assert int(answer.headers["retry-after"]) > 0
        assert "room on the disk" in answer.text
        assert not hook.intake.state()["ways_in"][0]["open"]
    disk.free_mb = 500
    with served(tmp_path / "s.duckdb") as hook:
        hook.intake._reserve = disk.reserve()
        assert httpx.post(f"{hook.url}/uplinks", content=as_bytes(one)).status_code == 200
