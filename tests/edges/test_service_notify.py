"""What the service manager is told: that messages are taken, and that the thread that stores comes round."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from loamline.edges.pulse import ALIVE_WITHIN_S, Pulse
from loamline.edges.service_notify import notify, watchdog_s
from tests.support.daemon import until


@pytest.fixture
def listening() -> Iterator[tuple[str, socket.socket]]:
    """A socket as a service manager has it, at a path that is short enough (unix(7): 107 bytes)."""
    with TemporaryDirectory(prefix="n") as folder, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        path = f"{folder}/n"
        manager.bind(path)
        manager.settimeout(20)
        yield path, manager


def test_a_manager_hears_it_by_a_path_or_an_abstract_address(listening: tuple[str, socket.socket]) -> None:
    """sd_notify(3): NOTIFY_SOCKET begins with / or @."""
    path, manager = listening
    assert notify("READY=1", {"NOTIFY_SOCKET": path})
    assert manager.recv(100) == b"READY=1"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as abstract:
        name = f"loamline-test-{os.getpid()}"
        abstract.bind(f"\0{name}")
        assert notify("WATCHDOG=1", {"NOTIFY_SOCKET": f"@{name}"})
        assert abstract.recv(100) == b"WATCHDOG=1"


@pytest.mark.parametrize("address", [None, "", "relative", "/nobody/here", "@nobody-here", "/" + 200 * "x"])
def test_without_a_manager_nothing_happens(address: str | None) -> None:
    assert not notify("READY=1", {} if address is None else {"NOTIFY_SOCKET": address})


@pytest.mark.parametrize(
    ("environment", "expected_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "120000000"}, 120.0),
        ({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": str(os.getpid())}, 120.0),
        ({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
    ],
)
def test_the_watchdog_is_the_managers_wish(environment: dict[str, str], expected_s: float | None) -> None:
    """sd_watchdog_enabled(3)."""
    assert watchdog_s(environment) == expected_s


def test_the_sign_of_life_is_given_while_the_thread_comes_round_and_only_then() -> None:
    """Twice as often as is wanted; a thread that hangs gives none, whatever else runs."""
    told: list[str] = []
    now = [0.0]
    pulse = Pulse(tell=told.append, watchdog=lambda: 10.0, clock=lambda: now[0])
    for now[0] in range(21):
        pulse.beat()
    assert told == ["WATCHDOG=1"] * 4
    assert pulse.alive
    now[0] += ALIVE_WITHIN_S + 1
    assert not pulse.alive
    assert len(told) == 4
    pulse.beat()
    assert pulse.alive


def test_without_a_watchdog_no_sign_is_sent() -> None:
    told: list[str] = []
    now = [0.0]
    pulse = Pulse(tell=told.append, watchdog=lambda: None, clock=lambda: now[0])
    for now[0] in range(100):
        pulse.beat()
    assert told == []


def test_the_daemon_tells_that_it_is_ready_gives_signs_and_tells_that_it_leaves(
    tmp_path: Path, listening: tuple[str, socket.socket]
) -> None:
    """The real process under a manager that wants a sign every 0.4 s."""
    path, manager = listening
    clean = {name: value for name, value in os.environ.items() if not name.startswith("LOAMLINE_")}
    environment = {**clean, "NOTIFY_SOCKET": path, "WATCHDOG_USEC": "400000"}
    command = "from loamline.app.cli import main; main()"
    arguments = ["ingest", "--store", str(tmp_path / "s.duckdb"), "--webhook-port", "0"]
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen([sys.executable, "-c", command, *arguments], stdout=log, stderr=log, env=environment)
    assert manager.recv(200).startswith(b"READY=1\n")
    assert [manager.recv(200) for _ in range(3)] == [b"WATCHDOG=1"] * 3
    daemon.send_signal(signal.SIGTERM)
    last: list[bytes] = []
    until(lambda: last.append(manager.recv(200)) or last[-1] != b"WATCHDOG=1")
    assert last[-1].startswith(b"STOPPING=1\n")
    assert daemon.wait(20) == 0
