"""A real HTTP server that takes events: it keeps each request, and answers with the status that a test wants."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True)
class Posted:
    """One request: its headers by lower-case name, and its body."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> dict[str, Any]:
        """The event in the body."""
        told: dict[str, Any] = json.loads(self.body)
        return told


@dataclass
class HttpReceiver:
    """`answer` gets a request and gives the status; `requests` are all, `taken` those answered with 2xx."""

    answer: Callable[[Posted], int] = lambda _: 204
    headers: dict[str, str] = field(default_factory=dict)
    requests: list[Posted] = field(default_factory=list)
    taken: list[Posted] = field(default_factory=list)
    url: str = ""

    def subjects(self) -> list[str]:
        """Return the subjects of what was taken, in order."""
        return [posted.event["subject"] for posted in self.taken]


@contextmanager
def http_receiver(port: int = 0) -> Iterator[HttpReceiver]:
    """Yield a receiver that listens on a loopback port, any free one unless told."""
    told = HttpReceiver()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            posted = Posted(self.path, {name.lower(): value for name, value in self.headers.items()}, body)
            told.requests.append(posted)
            status = told.answer(posted)
            if 200 <= status < 300:
                told.taken.append(posted)
            self.send_response(status)
            for name, value in told.headers.items():
                self.send_header(name, value)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    told.url = f"http://127.0.0.1:{server.server_port}/events"
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield told
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
