"""A real webhook on a loopback port, with a thread that stores what it takes, or does not."""

from __future__ import annotations

import io
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from loamline.app.ingest import Ingest, make_log
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.inbox import QUEUE_BYTES, Inbox
from loamline.edges.intake import Intake
from loamline.edges.webhook import Webhook
from loamline.edges.webhook_app import Door, uplinks_door
from loamline.edges.webhook_signature import Guard
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import BatchSettings, WebhookSettings
from tests.support.daemon import until


class Served:
    """A webhook that listens; with a `store` the daemon's loop commits what it takes."""

    def __init__(
        self,
        store: Path | None,
        *,
        guard: Guard,
        doors: Sequence[Door] | None = None,
        batch: BatchSettings | None = None,
        **settings: Any,
    ) -> None:
        self.log = io.StringIO()
        self.store_away = threading.Event()
        batch = batch or BatchSettings(milliseconds=5)
        log = make_log("json", debug=True, file=self.log)
        self.inbox = Inbox(messages=batch.queue_messages, size_bytes=QUEUE_BYTES, ripe=batch.messages)
        self.webhook = Webhook(
            settings=WebhookSettings(port=0, **settings),
            guard=guard,
            doors=doors or [uplinks_door(read_message)],
            inbox=self.inbox,
            store_away=self.store_away,
            log=log,
        )
        self.intake = Intake([self.webhook], inbox=self.inbox, batch=batch)
        self.daemon: Ingest | None = None
        if store is not None:
            self.daemon = Ingest(
                store=store,
                codecs=builtin_codecs(),
                source=self.intake,
                log=log,
                store_away=self.store_away,
                shortest_pause_s=0.05,
            )
        self._thread = threading.Thread(target=self._run, name="daemon")

    def _run(self) -> None:
        if self.daemon is not None:
            self.daemon.run()

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.webhook.port}"

    def start(self) -> None:
        """Listen, and store."""
        if self.daemon is None:
            self.intake.start()
        else:
            self._thread.start()
        until(lambda: '"listening"' in self.log.getvalue())

    def stop(self) -> None:
        """Leave as after a signal."""
        if self.daemon is None:
            self.intake.stop_intake()
            self.intake.close()
        else:
            self.daemon.stop()
            self._thread.join()


@contextmanager
def served(store: Path | None, guard: Guard | None = None, **options: Any) -> Iterator[Served]:
    """Yield a webhook that listens."""
    made = Served(store, guard=guard or Guard(), **options)
    made.start()
    try:
        yield made
    finally:
        made.stop()


def held(condition: Callable[[], bool], for_s: float) -> bool:
    """Return whether a condition holds all the time for so long."""
    end = time.monotonic() + for_s
    while time.monotonic() < end:
        if not condition():
            return False
        time.sleep(0.02)
    return True
