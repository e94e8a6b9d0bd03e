"""Promises 1 to 3 under kill -9; the long form is `uv run python -m tests.faults.chaos --kills 200 --seed 1`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.chaos import campaign
from tests.support.mosquitto import MISSING, mosquitto_program


@pytest.mark.broker
@pytest.mark.parametrize(("kills", "seed", "protocol"), [(8, 20260110, "5"), (2, 20260111, "3.1.1")])
def test_nothing_is_lost_or_doubled_when_the_daemon_is_killed_at_random_moments(
    tmp_path: Path, kills: int, seed: int, protocol: str
) -> None:
    """What the broker took is stored once, with the readings of one import; most lives had stored something."""
    if mosquitto_program() is None:
        pytest.skip(MISSING)
    summary = campaign(kills, seed, tmp_path, protocol=protocol, tell=lambda _: None)  # type: ignore[arg-type]
    assert (summary.lost, summary.doubled, summary.unasked, summary.wrong_readings) == (0, 0, 0, 0)
    assert summary.sound
    assert summary.lives_that_committed > kills / 2
    assert summary.sent > 100
    assert summary.sent_again > 0
