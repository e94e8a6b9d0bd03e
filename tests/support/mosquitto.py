"""A real MQTT broker for tests: mosquitto on a loopback port of its own, with only what a test asks for."""

from __future__ import annotations

import getpass
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

MISSING = (
    "expected the mosquitto program, found none in PATH or /usr/sbin; install it "
    "(Debian, Ubuntu: `sudo apt-get install mosquitto`) and run the tests again"
)


def mosquitto_program() -> str | None:
    """Return where mosquitto is; Debian puts it where a user's PATH does not look."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    """Return a loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """One broker process; `stop` and `start` again keep its port, and its sessions where `persistence` is on."""

    def __init__(self, program: str, folder: Path, *, persistence: bool = False, more: Sequence[str] = ()) -> None:
        self.host, self.port = "127.0.0.1", free_port()
        self._program = program
        self._config, self._log = folder / "mosquitto.conf", folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None
        lines = [
            f"listener {self.port} {self.host}",
            "allow_anonymous true",
            # The default of 1000 drops the newest messages for a client that is away, acknowledged all the same.
            "max_queued_messages 0",
            f"user {getpass.getuser()}",
            f"persistence {'true' if persistence else 'false'}",
            *([f"persistence_location {folder}/", "autosave_interval 1", "autosave_on_changes true"] * persistence),
            "log_dest stderr",
            *more,
        ]
        self._config.write_text("\n".join(lines) + "\n")

    def start(self) -> None:
        """Start it and wait until it listens."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([self._program, "-c", str(self._config)], stdout=log, stderr=log)
        for _ in range(100):
            try:
                socket.create_connection((self.host, self.port), timeout=1).close()
            except OSError:
                time.sleep(0.05)
            else:
                return
        self.stop()
        raise RuntimeError(f"mosquitto did not start: {self._log.read_text()}")

    def goodbyes(self, client_id: str) -> int:
        """Return how often it has told of this client's goodbye; only then has it read all that came before that."""
        return self._log.read_text().count(f"Client {client_id} disconnected.")

    def stop(self) -> None:
        """Ask it to leave, as a service manager does, and wait until it has."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=10)
            self._process = None


@contextmanager
def a_broker(folder: Path, *, persistence: bool = False, more: Sequence[str] = ()) -> Iterator[Mosquitto]:
    """Yield a running broker, with `more` lines of settings; skip the test, with a sentence, where there is none."""
    program = mosquitto_program()
    if program is None:
        pytest.skip(MISSING)
    broker = Mosquitto(program, folder, persistence=persistence, more=more)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
