"""The real `loamline ingest` as a process of its own, and a way to wait for what it says."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tests.support.mosquitto import Mosquitto

_COMMAND = "from loamline.app.cli import main; main()"


def until(done: Callable[[], Any], within_s: float = 60.0) -> None:
    """Wait until `done()` is true; fail where it isn't after `within_s` seconds."""
    for _ in range(round(within_s / 0.02)):
        if done():
            return
        time.sleep(0.02)
    raise AssertionError(f"expected {done} within {within_s:g} s")


class Daemon:
    """One life of the daemon; its log is JSON and lies beside the store. Without `broker` it is told of none."""

    def __init__(self, broker: Mosquitto | None, store: Path, *flags: str) -> None:
        self.log = store.with_suffix(".log")
        self.log.touch()
        self._start = self.log.stat().st_size
        arguments: Sequence[str] = (
            *("--store", str(store)),
            *(() if broker is None else ("--host", broker.host, "--port", str(broker.port))),
            *("--log-format", "json", "--verbose", *flags),
        )
        environment = {name: value for name, value in os.environ.items() if not name.startswith("LOAMLINE_")}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", _COMMAND, "ingest", *arguments], stdout=log, stderr=log, env=environment
            )

    def events(self) -> list[dict[str, Any]]:
        """Return the log lines of this life so far; a line that is no JSON as {"event": line}."""
        with self.log.open("rb") as log:
            log.seek(self._start)
            lines = log.read().decode(errors="replace").splitlines()
        return [json.loads(line) if line.startswith("{") and line.endswith("}") else {"event": line} for line in lines]

    def told(self, event: str) -> list[dict[str, Any]]:
        """Return this life's log lines of one event."""
        return [line for line in self.events() if line["event"] == event]

    def wait_for(self, event: str, within_s: float = 60.0) -> dict[str, Any]:
        """Return the first log line of `event`, waiting for it; fail if the daemon leaves first."""
        until(lambda: self.told(event) or self.process.poll() is not None, within_s)
        assert self.told(event), f"expected {event!r}, the daemon left with {self.process.poll()}: {self.events()}"
        return self.told(event)[0]

    def committed(self, count: str) -> int:
        """Return the sum of one count (accepted, duplicates, ...) over this life's commits."""
        return sum(line[count] for line in self.told("committed"))

    def terminate(self, number: int = signal.SIGTERM) -> int:
        """Ask it to leave; return its exit code."""
        self.process.send_signal(number)
        return self.process.wait(timeout=60)

    def kill(self) -> None:
        """Kill it as a crash would."""
        self.process.kill()
        self.process.wait(timeout=60)
