"""Faults in system calls; the long form, for every N, is `uv run python -m tests.faults.system_calls`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.injection import CALLS, MISSING, strace_program
from tests.faults.system_calls import campaign


def test_what_was_acknowledged_outlives_a_crash_or_an_error_in_a_system_call(tmp_path: Path) -> None:
    """Four of some three hundred points, drawn by a seed; all calls that change the files of a store are known."""
    if strace_program() is None:
        pytest.skip(MISSING)
    summary = campaign(20260110, tmp_path, most=4, tell=lambda _: None)
    assert summary.faults == []
    assert summary.runs == 4
    assert summary.points.keys() == set(CALLS)
    assert min(summary.points[call] for call in ("write", "pwrite64", "fdatasync", "fsync", "rename", "unlink")) > 3
    assert any(not ended.endswith(" 0") for ended in summary.ended)
