"""Promise 4 on a small fleet; `python -m tests.edges.large_fleet_campaign` is the long form."""

from __future__ import annotations

from pathlib import Path

from tests.edges.large_fleet_campaign import campaign


def test_a_fleet_fed_in_any_order_and_batches_is_what_a_replay_of_everything_gives(tmp_path: Path) -> None:
    summary = campaign(20, 60, 20260801, tmp_path / "fleet.duckdb", lambda _: None)
    assert (summary.stale, summary.changed, summary.differences) == (0, 0, 0)
    assert summary.sound
    assert summary.stored > 20 * 60 * 0.9
    assert summary.statuses > 0
    assert summary.readings > summary.stored
