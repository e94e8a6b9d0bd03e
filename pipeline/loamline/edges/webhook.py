"""The way in over HTTP: 2xx says that what was sent is on disk, and nothing else does.

A thread of its own runs uvicorn; a request waits there, without holding another up, until the thread that stores has
committed the batch that its body is part of. A request that gets no 2xx may be stored all the same: the sender sends
it again, and the store knows duplicates.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import socket
import threading
from collections.abc import Sequence
from functools import partial
from typing import Any

import uvicorn
from structlog.typing import FilteringBoundLogger

from loamline.edges.inbox import Delivery, Inbox, Receipt
from loamline.edges.intake import IntakeError
from loamline.edges.listener import bound
from loamline.edges.problem_details import HttpError
from loamline.edges.webhook_app import Door, make_app
from loamline.edges.webhook_protocol import RETRY_AFTER_S, BoundedProtocol, Bounds, defects
from loamline.edges.webhook_signature import Guard
from loamline_schemas.settings import WebhookSettings

#: How often a request that waits looks whether there is room, or the store has gone away, seconds.
_LOOK_S = 0.05
#: For room in the queue; a broker that fills it is held up the same way.
_ROOM_TIMEOUT_S = 2.0
_FAREWELL_S = 3.0


class WebhookError(IntakeError):
    """The webhook can't listen; the message says what was expected, what came and what to do."""


class Webhook:
    """Takes POSTs of messages as one way into `inbox`. `store_away` is set by the thread that stores while it can't."""

    def __init__(
        self,
        *,
        settings: WebhookSettings,
        guard: Guard,
        doors: Sequence[Door],
        inbox: Inbox,
        store_away: threading.Event,
        log: FilteringBoundLogger,
    ) -> None:
        self.name = f"webhook {settings.host}:{settings.port}"
        self.port = settings.port
        self._settings, self._guard, self._inbox, self._store_away = settings, guard, inbox, store_away
        self._log = log
        self._app = make_app(doors=doors, guard=guard, most_bytes=settings.most_bytes, keep=self._keep, log=log)
        self._numbers = itertools.count(1)
        # Requests that wait for their commit. Belongs to the loop, as does everything that touches it.
        self._waiting: dict[int, asyncio.Future[Receipt | None]] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self._closing = self._held = False

    @property
    def document(self) -> dict[str, Any]:
        """The OpenAPI document."""
        return self._app.openapi()

    def start(self) -> None:
        """Listen, in the background; `port` then says where. Raises WebhookError."""
        listener = self._bound()
        self.port = listener.getsockname()[1]
        bounds = Bounds(self._settings.most_connections, self._settings.request_timeout_s)
        protocol: Any = partial(BoundedProtocol, bounds=bounds, defects=defects(self._log))
        config = uvicorn.Config(
            self._app,
            http=protocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_keep_alive=self._settings.keep_alive_s,
            timeout_graceful_shutdown=int(_FAREWELL_S),
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, args=(self._server, listener), name="webhook", daemon=True)
        self._thread.start()
        host = f"[{self._settings.host}]" if ":" in self._settings.host else self._settings.host
        self._log.info("listening", url=f"http://{host}:{self.port}", guard=str(self._guard))
        if self._guard.open:
            self._log.warning("the webhook takes uplinks from anybody on this machine", hint="tell it a secrets_file")

    def state(self) -> dict[str, Any]:
        """Return how the webhook is."""
        listens = self._thread is not None and self._thread.is_alive() and not (self._closing or self._held)
        return {"kind": "webhook", "open": listens, "host": self._settings.host, "port": self.port}

    def tend(self) -> None:
        """Take messages (again)."""
        self._held = False

    def hold(self) -> None:
        """Answer 503 to whatever comes: nothing more can be stored."""
        self._held = True

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Have the requests answered whose bodies are stored; return how many."""
        told = [(delivery.mid, delivery.receipt) for delivery in deliveries]
        with contextlib.suppress(RuntimeError):  # the loop has ended: nobody waits any more
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._settle, told)
        return len(told)

    def stop_intake(self) -> None:
        """Take nothing more. Safe in a signal handler."""
        self._closing = True

    def close(self) -> None:
        """Answer what is stored with 200, all else that waits with 503, and leave."""
        self.stop_intake()
        if self._thread is None or self._server is None:
            return
        with contextlib.suppress(RuntimeError):
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._give_up)
        self._server.should_exit = True
        self._thread.join(2 * _FAREWELL_S)
        self._thread = None

    def _bound(self) -> socket.socket:
        host, port = self._settings.host, self._settings.port
        try:
            return bound(host, port)
        except OSError as problem:
            raise WebhookError(
                f"expected to listen on webhook.host {host}, webhook.port {port}, got {problem.strerror}; "
                "is another daemon there?"
            ) from problem

    # The webhook's own thread ------------------------------------------------------------------------

    def _run(self, server: uvicorn.Server, listener: socket.socket) -> None:
        async def serve() -> None:
            self._loop = asyncio.get_running_loop()
            await server.serve(sockets=[listener])

        try:
            asyncio.run(serve())
        except Exception as problem:  # noqa: BLE001 - told, since nobody waits for a thread
            self._log.error("the webhook has ended, please report this", reason=repr(problem))

    async def _keep(self, body: bytes, door: Door) -> Receipt:
        """Hand a body to the thread that stores; return once it is committed. Raises HttpError."""
        number = next(self._numbers)
        delivery = Delivery(0, number, 1, f"POST {door.path}", body, self.name, door.reader, Receipt())
        await self._put(delivery)
        waiting = self._waiting[number] = asyncio.get_running_loop().create_future()
        try:
            return await self._committed(waiting)
        finally:
            del self._waiting[number]

    async def _put(self, delivery: Delivery) -> None:
        until = asyncio.get_running_loop().time() + _ROOM_TIMEOUT_S
        while True:
            self._check_going_on()
            # Without waiting: this thread must not stand still. A lost race for room is lost for _LOOK_S.
            if self._inbox.put(delivery, 0):
                return
            if asyncio.get_running_loop().time() > until:
                raise _unavailable("room in the queue", "none")
            await asyncio.sleep(_LOOK_S)

    async def _committed(self, waiting: asyncio.Future[Receipt | None]) -> Receipt:
        until = asyncio.get_running_loop().time() + self._settings.commit_timeout_s
        while not waiting.done():
            self._check_going_on(taking=False)
            left = until - asyncio.get_running_loop().time()
            if left <= 0:
                raise _unavailable(f"a commit within {self._settings.commit_timeout_s:g} s", "none")
            await asyncio.wait({waiting}, timeout=min(left, 5 * _LOOK_S))
        receipt = waiting.result()
        if receipt is None:
            raise _unavailable("to store it", "the daemon's end")
        return receipt

    def _check_going_on(self, *, taking: bool = True) -> None:
        if self._store_away.is_set():
            raise _unavailable("the store to be open", "none; the daemon's log says why")
        if taking and self._held:
            raise _unavailable("room on the disk", "too little; the daemon's log says more")
        if taking and self._closing:
            raise _unavailable("to store it", "the daemon's end")

    def _settle(self, told: list[tuple[int, Receipt | None]]) -> None:
        for number, receipt in told:
            waiting = self._waiting.get(number)
            if waiting is not None and not waiting.done():
                waiting.set_result(receipt)

    def _give_up(self) -> None:
        self._settle([(number, None) for number in self._waiting])


def _unavailable(expected: str, got: str) -> HttpError:
    return HttpError(503, expected, got, headers={"retry-after": str(RETRY_AFTER_S)})
