"""The demo's daemon is waited for as long as it goes on, however slow the machine."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from loamline.app.demo import show
from loamline.edges.embedded_broker import EmbeddedBroker
from loamline.edges.messages import Outcome


class Clock:
    """A clock that goes on by a minute with each sleep, in which something may happen."""

    def __init__(self, each_minute: Callable[[int], None]) -> None:
        self._minute, self._each_minute = 0, each_minute

    def monotonic(self) -> float:
        return 60.0 * self._minute

    def sleep(self, _: float) -> None:
        self._minute += 1
        self._each_minute(self._minute)


@pytest.fixture
def daemon(tmp_path: Path) -> show.Daemon:
    """Return one that was not begun: a test says what it has stored."""
    broker = EmbeddedBroker()
    broker.port = 1883
    return show.Daemon(tmp_path / "s.duckdb", broker)


def test_one_that_stores_a_little_at_a_time_is_waited_for(daemon: show.Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    def store(minute: int) -> None:
        daemon.totals = Outcome(read=minute)

    monkeypatch.setattr(show, "time", Clock(store))
    daemon.wait_until_read(20)
    assert daemon.totals.read == 20


def test_one_that_stores_nothing_more_is_told_with_what_it_stored(
    daemon: show.Daemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    def store(minute: int) -> None:
        daemon.totals = Outcome(read=min(minute, 3))

    monkeypatch.setattr(show, "time", Clock(store))
    with pytest.raises(RuntimeError, match=r"expected 20 uplinks to be stored, got Outcome\(read=3.* nothing more"):
        daemon.wait_until_read(20)
