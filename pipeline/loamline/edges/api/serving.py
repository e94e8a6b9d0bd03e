"""An application on a port, by uvicorn in a thread of its own, with a clean stop."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from functools import partial
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from structlog.typing import FilteringBoundLogger

from loamline.edges.listener import bound
from loamline.edges.webhook_protocol import BoundedProtocol, Bounds, defects

_FAREWELL_S = 5.0


class ApiError(Exception):
    """The API can't listen; the message says what was expected, what came and what to do."""


class Serving:
    """A running server; `url` tells where it listens."""

    def __init__(self, server: uvicorn.Server, listener: socket.socket, host: str) -> None:
        self._server = server
        self.port: int = listener.getsockname()[1]
        self.url = f"http://[{host}]:{self.port}" if ":" in host else f"http://{host}:{self.port}"
        self._thread = threading.Thread(target=self._run, args=(listener,), name="read API", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Answer what is being answered, take nothing more, and return when the thread has ended."""
        self._server.should_exit = True
        self._thread.join(2 * _FAREWELL_S)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until it has ended; return whether it has."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self, listener: socket.socket) -> None:
        asyncio.run(self._server.serve(sockets=[listener]))


def serve_in_thread(
    app: ASGIApp,
    host: str = "127.0.0.1",
    port: int = 8460,
    *,
    log: FilteringBoundLogger | None = None,
    most_connections: int = 200,
    request_timeout_s: float = 10.0,
) -> Serving:
    """Serve `app`, on loopback unless told otherwise, and return at once; port 0 takes a free one. Raises ApiError."""
    listener = _bound(host, port)
    quiet = logging.Logger("loamline.api", logging.CRITICAL)  # noqa: LOG001 - outside the process-wide tree on purpose
    bounds = Bounds(most_connections, request_timeout_s)
    protocol: Any = partial(BoundedProtocol, bounds=bounds, defects=quiet if log is None else defects(log))
    config = uvicorn.Config(
        app,
        http=protocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=int(_FAREWELL_S),
    )
    return Serving(uvicorn.Server(config), listener, host)


def _bound(host: str, port: int) -> socket.socket:
    try:
        return bound(host, port)
    except OSError as problem:
        raise ApiError(
            f"expected to listen on host {host}, port {port}, got {problem.strerror}; is another server there?"
        ) from problem
