"""An MQTT broker inside this process, for the demo alone: MQTT 3.1.1, anonymous, loopback only, nothing kept.

It redelivers nothing and holds nothing for a client that is away, so it guarantees none of what the daemon promises.
Anything but the demo needs a real broker.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
import warnings
from types import TracebackType
from typing import Self

with warnings.catch_warnings():
    # The library's own habits at import are no business of whoever runs with warnings as errors.
    warnings.simplefilter("ignore")
    from amqtt.broker import Broker
    from amqtt.contexts import BrokerConfig, ListenerConfig

_HOST = "127.0.0.1"
_START_S, _STOP_S = 10.0, 8.0
_TALKATIVE = ("amqtt", "transitions")


class EmbeddedBrokerError(Exception):
    """The embedded broker did not start; the message says why."""


class EmbeddedBroker:
    """A broker on a free port of the loopback interface, in a thread of its own; a context manager."""

    def __init__(self) -> None:
        self.host = _HOST
        self.port = 0
        self._started = threading.Event()
        self._problem: Exception | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._levels: dict[str, int] = {}

    def __enter__(self) -> Self:
        for name in _TALKATIVE:
            self._levels[name] = logging.getLogger(name).level
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self.port = _free_port()
        self._thread.start()
        if not self._started.wait(_START_S) or self._problem is not None:
            self._restore_levels()
            raise EmbeddedBrokerError(
                f"expected an embedded broker on {_HOST}:{self.port}, got {self._problem or 'no answer'}; try again"
            )
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._loop is not None and self._stop is not None:
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(_STOP_S)
        self._restore_levels()

    def _restore_levels(self) -> None:
        for name, level in self._levels.items():
            logging.getLogger(name).setLevel(level)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as problem:  # noqa: BLE001 - handed to whoever waits in __enter__
            self._problem = problem
            self._started.set()

    async def _serve(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        broker = Broker(
            BrokerConfig(
                listeners={"default": ListenerConfig(bind=f"{_HOST}:{self.port}")},
                plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            )
        )
        await broker.start()
        self._started.set()
        await self._stop.wait()
        await asyncio.wait_for(broker.shutdown(), _STOP_S / 2)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        return int(probe.getsockname()[1])
