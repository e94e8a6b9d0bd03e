"""A disk that runs full; the long form is `python -m tests.faults.full_disk --rounds 40`, which takes root."""

from __future__ import annotations

from pathlib import Path

from tests.faults.full_disk import campaign, can_mount


def test_what_was_answered_is_there_after_the_disk_was_full(tmp_path: Path) -> None:
    """On a small file system of its own where this process may mount one, else by a limit on the size of files."""
    summary = campaign(2, 20260112, tmp_path, limit=not can_mount(), tell=lambda _: None)
    assert summary.sound, summary
    assert summary.full == 2
    assert summary.stored == summary.sent > 0
