"""The daemon does not leak; the long form is `python -m tests.faults.soak --minutes 60`, which looks at memory too."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.faults.soak import Sample, Summary, _judge, campaign, sample
from tests.support.mosquitto import MISSING, mosquitto_program


@pytest.mark.broker
def test_descriptors_and_threads_do_not_grow(tmp_path: Path) -> None:
    """Some seconds of uplinks, broken messages, connections that come and go, and cuts."""
    if mosquitto_program() is None:
        pytest.skip(MISSING)
    summary = campaign(9, 20260110, tmp_path, every_s=0.4, tell=lambda _: None)
    assert summary.sound, summary
    assert summary.cuts > 0
    assert summary.broken_messages > 20
    assert summary.stored == summary.sent > 50


def test_a_leak_is_told(tmp_path: Path) -> None:
    """Of descriptors at once, of memory by its slope."""
    before = sample(os.getpid(), 0).descriptors
    with (tmp_path / "open").open("w"):
        assert sample(os.getpid(), 0).descriptors == before + 1
    steady, leaking = Summary(1, 3600), Summary(1, 3600)
    _judge(steady, [Sample(60 * at, 20, 9, 200.0) for at in range(60)])
    _judge(leaking, [Sample(60 * at, 20 + at, 9, 200.0) for at in range(60)])
    assert steady.flat
    assert not leaking.flat
    growing = Summary(1, 3600)
    _judge(growing, [Sample(60 * at, 20, 9, 200.0 + 2 * at) for at in range(60)])
    assert growing.resident_mb_per_hour == 120.0
    assert not growing.flat
