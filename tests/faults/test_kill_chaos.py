"""Promises 1 to 3 under kill -9; the long form is `uv run python -m tests.faults.chaos --kills 200 --seed 1`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.chaos import campaign
from tests.support.mosquitto import MISSING, mosquitto_program


@pytest.mark.broker
@pytest.mark.parametrize(
    ("kills", "seed", "protocol", "webhook"),
    [(4, 20260110, "5", True), (2, 20260111, "3.1.1", False)],
    ids=["broker and webhook", "broker of MQTT 3.1.1 alone"],
)
def test_nothing_is_lost_or_doubled_when_the_daemon_is_killed_at_random_moments(
    tmp_path: Path, kills: int, seed: int, protocol: str, webhook: bool
) -> None:
    """What the broker took or the webhook answered is stored once, with the readings of one import."""
    if mosquitto_program() is None:
        pytest.skip(MISSING)
    summary = campaign(
        kills,
        seed,
        tmp_path,
        protocol=protocol,  # type: ignore[arg-type]
        webhook=webhook,
        tell=lambda _: None,
    )
    assert (summary.lost, summary.doubled, summary.unasked, summary.wrong_readings) == (0, 0, 0, 0)
    assert summary.differences == 0
    assert summary.sound
    assert summary.lives_that_committed > kills / 2
    assert summary.sent > 100
    assert summary.sent_again > 0
    assert (summary.answered_by_webhook > 50) == webhook
