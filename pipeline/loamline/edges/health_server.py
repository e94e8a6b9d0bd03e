"""The port on which the daemon tells how it is: /metrics, /healthz and /readyz, and nothing that changes anything.

It answers while the store is away, which is when it is asked for, so it has a thread and a port of its own.
"""

from __future__ import annotations

import json
import socket
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar

from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
from structlog.typing import FilteringBoundLogger

from loamline.edges.intake import IntakeError
from loamline.edges.metrics import Metrics
from loamline_schemas.settings import MetricsSettings

_PLACES = "/metrics, /healthz or /readyz"


class HealthServer:
    """Serves one daemon's metrics and health."""

    def __init__(self, settings: MetricsSettings, metrics: Metrics, log: FilteringBoundLogger) -> None:
        self.port = settings.port
        self._settings, self._metrics, self._log = settings, metrics, log
        self._server: ThreadingHTTPServer | None = None

    def start(self) -> None:
        """Listen, in the background; `port` then says where. Raises IntakeError."""
        handler = type("Handler", (_Handler,), {"metrics": self._metrics})
        kind = _Server6 if ":" in self._settings.host else _Server
        try:
            self._server = kind((self._settings.host, self._settings.port), handler)
        except OSError as problem:
            raise IntakeError(
                f"expected to listen on metrics.host {self._settings.host}, metrics.port {self._settings.port}, got "
                f"{problem.strerror}; is another daemon there?"
            ) from problem
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, name="metrics", daemon=True).start()
        host = f"[{self._settings.host}]" if ":" in self._settings.host else self._settings.host
        self._log.info("metrics and health", url=f"http://{host}:{self.port}")

    def close(self) -> None:
        """Listen no more."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    # Threads that serve a slow reader must not hold up the daemon's end.
    block_on_close = False

    def handle_error(self, request: object, client_address: object) -> None:
        """Whoever asked has gone: nobody is to be told."""


class _Server6(_Server):
    address_family = socket.AF_INET6


class _Handler(BaseHTTPRequestHandler):
    metrics: ClassVar[Metrics]
    timeout = 10.0

    def version_string(self) -> str:
        return "loamline"

    def log_message(self, *_: object) -> None:
        """Not a line for each look."""

    def do_GET(self) -> None:
        path = self.path.partition("?")[0]
        if path == "/metrics":
            self._answer(200, CONTENT_TYPE_PLAIN_0_0_4, self.metrics.text())
        elif path == "/healthz":
            alive = self.metrics.alive
            self._answer_json(200 if alive else 503, {"alive": alive})
        elif path == "/readyz":
            why = self.metrics.not_ready
            self._answer_json(503 if why else 200, {"ready": not why, "why_not": why})
        else:
            self._answer_json(404, {"detail": f"expected {_PLACES}, got another path"})

    def do_HEAD(self) -> None:
        self.do_GET()

    def _answer_json(self, status: int, content: dict[str, object]) -> None:
        self._answer(status, "application/json", json.dumps(content).encode())

    def _answer(self, status: int, kind: str, content: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(content)
