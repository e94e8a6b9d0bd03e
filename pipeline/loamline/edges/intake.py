"""Several ways in at once, before the one thread that stores: one queue for all, and to each its acknowledgements."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

from loamline.edges.disk_reserve import DiskReserve
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

    def hold(self) -> None:
        """Take nothing more until `tend` is called again; called instead of it while there is no room on the disk."""

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored, all of it from here; return how many acknowledgements went out."""

    def stop_intake(self) -> None:
        """Take nothing more. Called from a signal handler."""

    def close(self) -> None:
        """Leave, with all acknowledgements sent."""

    def state(self) -> dict[str, Any]:
        """Return how it is: `kind`, `open` (whether messages can come), and what is to be said of its kind."""


class Intake:
    """Batches from several sources; one may hold messages of them all, in order of arrival.

    `receive` and `acknowledge` belong to one thread. While `reserve` has no room, what was taken is handed on and
    nothing more is taken.
    """

    def __init__(
        self, sources: Sequence[Source], *, inbox: Inbox, batch: BatchSettings, reserve: DiskReserve | None = None
    ) -> None:
        self._sources = {source.name: source for source in sources}
        self._inbox, self._batch, self._reserve = inbox, batch, reserve

    @property
    def sources(self) -> list[Source]:
        """The ways in."""
        return [*self._sources.values()]

    @property
    def inbox(self) -> Inbox:
        """The queue of all ways in."""
        return self._inbox

    @property
    def reserve(self) -> DiskReserve | None:
        """The room on the disk that is never used up."""
        return self._reserve

    def start(self) -> None:
        """Begin to receive on every way in. Raises IntakeError; `close` then leaves those that were started."""
        for source in self._sources.values():
            source.start()

    def receive(self, wait_s: float) -> list[Delivery]:
        """Return the next batch; an empty list where nothing came within `wait_s` seconds.

        A batch is due when it is full, when as many are there as one source sends ahead of acknowledgement, or
        `batch.milliseconds` after its first message.
        """
        room = self._reserve is None or self._reserve.look()
        for source in self._sources.values():
            if room:
                source.tend()
            else:
                source.hold()
        return self._inbox.take(most=self._batch.messages, wait_s=wait_s, linger_s=self._batch.milliseconds / 1000)

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored, each delivery where it came from; return how many acknowledgements went out."""
        by_source: dict[str, list[Delivery]] = {}
        for delivery in deliveries:
            by_source.setdefault(delivery.source, []).append(delivery)
        return sum(self._sources[name].acknowledge(some) for name, some in by_source.items())

    def state(self) -> dict[str, Any]:
        """Return how many messages wait in the queue, and how every way in is. Safe in any thread."""
        told = [{"name": name, **source.state()} for name, source in self._sources.items()]
        return {"queued_messages": len(self._inbox), "ways_in": told}

    def stop_intake(self) -> None:
        """Take nothing more; what is queued can still be received. Safe in a signal handler."""
        self._inbox.closed = True
        for source in self._sources.values():
            source.stop_intake()

    def close(self) -> None:
        """Leave every way in at once, also where leaving one of them fails."""
        with ThreadPoolExecutor(max(1, len(self._sources)), "leaving") as pool:
            leaving = [pool.submit(source.close) for source in self._sources.values()]
        for left in leaving:
            left.result()
