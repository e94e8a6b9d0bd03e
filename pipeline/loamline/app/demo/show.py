"""The demo's run: an embedded broker, the daemon in a thread, and a fleet that publishes history and then lives on.

Nothing here is a short cut: every uplink is payload bytes in canonical JSON, published over MQTT, received,
decoded, calibrated, checked and stored by the daemon's own loop.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any, Self

import structlog

from loamline.app.demo.uplinks import Simulation
from loamline.app.ingest import Ingest
from loamline.app.tending import Tender
from loamline.edges.embedded_broker import EmbeddedBroker
from loamline.edges.messages import Outcome
from loamline.edges.mqtt import Subscriber
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store
from loamline.edges.store.sites import SiteNow, sites_now
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import BatchSettings, BrokerSettings

TOPIC = "loamline/uplinks/demo"
#: Uplinks in one message of history: a list, as a gateway's backlog would come.
HISTORY_LIST = 100
#: How long the daemon may store nothing of what was published: a small machine takes minutes, and goes on.
PATIENCE_S = 120.0


class Daemon:
    """The ingest daemon in a thread, fed by the embedded broker; a context manager.

    `totals` and `sites` are what it last committed; `sites` is looked up at most once a second.
    """

    def __init__(self, store: Path, broker: EmbeddedBroker, tenders: Sequence[Tender] = ()) -> None:
        self.totals = Outcome()
        self.sites: list[SiteNow] = []
        self._looked_at_s = 0.0
        log = structlog.wrap_logger(structlog.ReturnLogger(), processors=[structlog.processors.KeyValueRenderer()])
        source = Subscriber(
            broker=BrokerSettings(
                host=broker.host, port=broker.port, protocol="3.1.1", topics=(TOPIC,), client_id="loamline-demo"
            ),
            batch=BatchSettings(milliseconds=200),
            log=log,
        )
        self._source = source
        self._ingest = Ingest(
            store=store,
            codecs=builtin_codecs(),
            source=source,
            log=log,
            on_commit=self._note_commit,
            tenders=tenders,
        )
        self._problem: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="demo-daemon")

    def __enter__(self) -> Self:
        self._thread.start()
        self._wait(lambda: self._source.subscribed, "the daemon to subscribe")
        return self

    def __exit__(self, *_: object) -> None:
        self._ingest.stop()
        self._thread.join()

    def wait_until_read(self, uplinks: int) -> None:
        """Wait until the daemon has stored so many uplinks in all. Raises RuntimeError where it stops before that."""
        self._wait(lambda: self.totals.read >= uplinks, f"{uplinks} uplinks to be stored")

    def look(self) -> list[SiteNow]:
        """Return the sites as of the last look."""
        return self.sites

    def _run(self) -> None:
        try:
            self._ingest.run()
        except BaseException as problem:  # noqa: BLE001 - handed to the thread that waits
            self._problem = problem

    def _note_commit(self, store: Store, totals: Outcome) -> None:
        now = time.monotonic()
        if now - self._looked_at_s >= 1.0:
            self.sites = sites_now(store)
            self._looked_at_s = time.monotonic()
        self.totals = Outcome(**vars(totals))

    def _wait(self, done: Any, what: str) -> None:
        read, since = self.totals.read, time.monotonic()
        while not done():
            if self._problem is not None:
                raise RuntimeError(f"expected {what}, but the daemon stopped: {self._problem}") from self._problem
            if self.totals.read > read:
                read, since = self.totals.read, time.monotonic()
            if time.monotonic() - since > PATIENCE_S:
                raise RuntimeError(f"expected {what}, got {self.totals} and nothing more within {PATIENCE_S:g} s")
            time.sleep(0.02)


def publish_history(simulation: Simulation, publisher: Publisher) -> Iterator[tuple[datetime, int]]:
    """Publish the whole history in lists; yield the simulated instant reached and the uplinks sent so far."""
    sent = 0
    uplinks = simulation.uplinks(simulation.history_start, simulation.history_end)
    while some := list(islice(uplinks, HISTORY_LIST)):
        publisher.publish(TOPIC, json.dumps(some).encode())
        sent += len(some)
        yield datetime.fromisoformat(some[-1]["heard_at"]), sent


def live(simulation: Simulation, publisher: Publisher, speed: float, seconds: float | None) -> Iterator[datetime]:
    """Publish the uplinks of an accelerated clock, `speed` simulated seconds a second; yield the simulated instant.

    Ends after `seconds`; without them it goes on until the caller stops asking.
    """
    began, reached = time.monotonic(), simulation.history_end
    while True:
        elapsed = time.monotonic() - began
        if seconds is not None:
            elapsed = min(elapsed, seconds)
        now = simulation.history_end + timedelta(seconds=elapsed * speed)
        _publish(publisher, simulation.uplinks(reached, now))
        reached = now
        yield now
        if seconds is not None and elapsed >= seconds:
            return
        time.sleep(0.25)


def _publish(publisher: Publisher, uplinks: Iterable[dict[str, Any]]) -> None:
    for uplink in uplinks:
        publisher.publish(TOPIC, json.dumps(uplink).encode())
