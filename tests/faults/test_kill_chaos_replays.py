"""Revisions under kill -9 of daemon and command; the long form is `python -m tests.faults.chaos_replays --kills 60`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.chaos_replays import campaign
from tests.support.mosquitto import MISSING, mosquitto_program


@pytest.mark.broker
def test_every_revision_is_wholly_applied_or_wholly_undone_whoever_is_killed(tmp_path: Path) -> None:
    """Looked at after each kill, all that is seen is what a derivation under the revisions in force gives."""
    if mosquitto_program() is None:
        pytest.skip(MISSING)
    summary = campaign(8, 1, tmp_path, lambda _: None)
    assert (summary.differences, summary.left_over, summary.lost, summary.doubled) == (0, 0, 0, 0)
    assert set(summary.revisions) <= {"applied", "undone"}
    assert summary.sound
    assert sum(summary.revisions.values()) > 1
    assert summary.sent > 100
    assert len(summary.killed) > 2
