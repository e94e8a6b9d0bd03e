"""Several ways in at once, before the one thread that stores: one queue for all, and to each its acknowledgements."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from typing import Protocol

from loamline.edges.inbox import Delivery, Inbox
from loamline_schemas.settings import BatchSettings


class IntakeError(Exception):
    """A way in can't be opened; the message says what was expected, what came and what to do."""


class Source(Protocol):
    """One way in, which puts what it gets into the inbox it was made with; an MQTT subscription, or the webhook."""

    @property
    def name(self) -> str:
        """What its deliveries name as their source; no two have the same."""

    def start(self) -> None:
        """Begin to receive, in the background. Raises IntakeError."""

    def tend(self) -> None:
        """Look after what only the thread that stores may do; called before each batch."""

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored, all of it from here; return how many acknowledgements went out."""

    def stop_intake(self) -> None:
        """Take nothing more. Called from a signal handler."""

    def close(self) -> None:
        """Leave, with all acknowledgements sent."""


class Intake:
    """Batches from several sources; one may hold messages of them all, in order of arrival.

    `receive` and `acknowledge` belong to one thread.
    """

    def __init__(self, sources: Sequence[Source], *, inbox: Inbox, batch: BatchSettings) -> None:
        self._sources = {source.name: source for source in sources}
        self._inbox, self._batch = inbox, batch

    def start(self) -> None:
        """Begin to receive on every way in. Raises IntakeError; `close` then leaves those that were started."""
        for source in self._sources.values():
            source.start()

    def receive(self, wait_s: float) -> list[Delivery]:
        """Return the next batch; an empty list where nothing came within `wait_s` seconds.

        A batch is due when it is full, when as many are there as one source sends ahead of acknowledgement, or
        `batch.milliseconds` after its first message.
        """
        for source in self._sources.values():
            source.tend()
        return self._inbox.take(most=self._batch.messages, wait_s=wait_s, linger_s=self._batch.milliseconds / 1000)

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored, each delivery where it came from; return how many acknowledgements went out."""
        by_source: dict[str, list[Delivery]] = {}
        for delivery in deliveries:
            by_source.setdefault(delivery.source, []).append(delivery)
        return sum(self._sources[name].acknowledge(some) for name, some in by_source.items())

    def stop_intake(self) -> None:
        """Take nothing more; what is queued can still be received. Safe in a signal handler."""
        self._inbox.closed = True
        for source in self._sources.values():
            source.stop_intake()

    def close(self) -> None:
        """Leave every way in, also where leaving one of them fails."""
        with ExitStack() as leaving:
            for source in self._sources.values():
                leaving.callback(source.close)
