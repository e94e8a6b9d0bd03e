"""The daemon's real loop and control socket in a thread of this process, for commands that ask it."""

from __future__ import annotations

import io
import json
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from loamline.app.ingest import Ingest, make_log
from loamline.edges.control import ControlServer, socket_path
from loamline.edges.inbox import Delivery
from loamline_codecs import CodecSet, builtin_codecs
from tests.support.daemon import until


class Silent:
    """A way in by which nothing comes."""

    def __init__(self) -> None:
        self._closed = threading.Event()

    def start(self) -> None:
        """Nothing to connect."""

    def receive(self, wait_s: float) -> list[Delivery]:
        self._closed.wait(min(wait_s, 0.02))
        return []

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        return len(deliveries)

    def stop_intake(self) -> None:
        self._closed.set()

    def close(self) -> None:
        """Nothing to leave."""


@contextmanager
def daemon_on(path: Path, source: Any = None, codecs: CodecSet | None = None) -> Iterator[list[dict[str, Any]]]:
    """Have a daemon at the store while the body runs; the list holds its log afterwards."""
    text, log = io.StringIO(), []
    daemon = Ingest(
        store=path,
        codecs=codecs or builtin_codecs(),
        source=source or Silent(),
        requests=ControlServer(socket_path(path), make_log("json", file=text)),
        log=make_log("json", file=text),
        shortest_pause_s=0.01,
    )
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        until(socket_path(path).exists)
        yield log
    finally:
        daemon.stop()
        thread.join(timeout=30)
        log += [json.loads(line) for line in text.getvalue().splitlines()]
