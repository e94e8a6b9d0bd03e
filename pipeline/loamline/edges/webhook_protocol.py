"""HTTP/1.1 for callers that nobody vouches for: uvicorn's protocol with bounds that it lacks.

uvicorn 0.54 waits without end for the rest of a request, and takes headers of any size. Here a request has to be
there as a whole in time, its headers have to be small, and there are only so many connections at once.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from structlog.typing import FilteringBoundLogger
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from loamline.edges.problem_details import PROBLEM_TYPE, HttpError

RETRY_AFTER_S = 5


@dataclass(frozen=True)
class Bounds:
    """What one caller, and all together, may ask for."""

    connections: int
    request_timeout_s: float
    header_bytes: int = 32 * 1024


class BoundedProtocol(HttpToolsProtocol):
    """One connection."""

    def __init__(self, *arguments: Any, bounds: Bounds, defects: logging.Logger, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self.logger = defects
        self.access_log = False
        self._bounds = bounds
        self._deadline: asyncio.TimerHandle | None = None
        self._begun = self._headers_read = False
        self._header_bytes = 0

    # Of asyncio --------------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as uvicorn has it
        """Take a connection, or say that there are enough."""
        super().connection_made(transport)
        if len(self.connections) > self._bounds.connections:
            headers = {"retry-after": str(RETRY_AFTER_S)}
            most = self._bounds.connections
            self._refuse(HttpError(503, f"at most {most} connections at once", "one more", headers=headers))
            return
        self._set_deadline()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._cancel_deadline()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Read on; from the first byte of a request on its time is running."""
        self._set_deadline()
        super().data_received(data)

    # Of the parser -----------------------------------------------------------------------------------

    def on_message_begin(self) -> None:
        """Begin with a request."""
        self._begun, self._headers_read, self._header_bytes = True, False, 0
        self._set_deadline()
        super().on_message_begin()

    def on_url(self, url: bytes) -> None:
        """Take a part of the target."""
        self._bound_headers(len(url))
        super().on_url(url)

    def on_header(self, name: bytes, value: bytes) -> None:
        """Take a header, or one that follows a body in chunks."""
        self._bound_headers(len(name) + len(value))
        super().on_header(name, value)

    def on_headers_complete(self) -> None:
        """Hand the request on; its body is still to come."""
        self._headers_read = True
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        """Note that the request is there as a whole."""
        self._begun = False
        self._cancel_deadline()
        super().on_message_complete()

    # Of uvicorn --------------------------------------------------------------------------------------

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002 - uvicorn's words, here are ours
        """Answer what is no HTTP, or has too much of headers."""
        if self._header_bytes > self._bounds.header_bytes:
            most = self._bounds.header_bytes
            self._refuse(HttpError(431, f"at most {most} bytes of target and headers", "more", "headers"))
        else:
            self._refuse(HttpError(400, "an HTTP/1.1 request", "something else"))

    def shutdown(self) -> None:
        """Leave when what is being answered is answered; a request that is only half there is not waited for."""
        super().shutdown()
        if self._begun:
            self.transport.close()

    # Bounds ------------------------------------------------------------------------------------------

    def _bound_headers(self, more: int) -> None:
        self._header_bytes += more
        if self._header_bytes > self._bounds.header_bytes:
            raise ValueError("too much")  # which the parser hands to send_400_response

    def _set_deadline(self) -> None:
        if self._deadline is None and not self.transport.is_closing():
            self._deadline = self.loop.call_later(self._bounds.request_timeout_s, self._too_slow)

    def _cancel_deadline(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _too_slow(self) -> None:
        self._deadline = None
        if self.transport.is_closing():
            return
        cycle = self.cycle
        if self._headers_read:
            unanswered = cycle.more_body and not cycle.response_started
        else:
            unanswered = cycle is None or cycle.response_complete  # type: ignore[redundant-expr] # none at first
        if self._begun and unanswered:
            within = f"{self._bounds.request_timeout_s:g} s"
            self._refuse(HttpError(408, f"a whole request within {within}", "only a part of it"))
        else:
            self.transport.close()

    def _refuse(self, problem: HttpError) -> None:
        body = problem.body()
        headers = {
            "content-type": PROBLEM_TYPE,
            "content-length": str(len(body)),
            "connection": "close",
            **problem.headers,
        }
        lines = [f"HTTP/1.1 {problem.status} {HTTPStatus(problem.status).phrase}"]
        lines += [f"{name}: {value}" for name, value in headers.items()]
        self.transport.write("\r\n".join([*lines, "", ""]).encode() + body)
        self.transport.close()


class _ToOurLog(logging.Handler):
    def __init__(self, log: FilteringBoundLogger) -> None:
        super().__init__()
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        problem = record.exc_info[1] if record.exc_info else None
        self._log.error("defect in the webhook, please report this", reason=repr(problem or record.getMessage()))


def defects(log: FilteringBoundLogger) -> logging.Logger:
    """Return a logger, known to nobody else, that hands errors to ours; what uvicorn tells beside them is left out."""
    logger = logging.Logger("loamline.webhook", logging.ERROR)  # noqa: LOG001 - outside the process-wide tree on purpose
    logger.addHandler(_ToOurLog(log))
    return logger
