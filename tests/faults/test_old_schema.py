"""Old stores come through an upgrade; the long form, killed in every call, is `python -m tests.faults.old_schema`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.injection import MISSING, strace_program
from tests.faults.old_schema import SCHEMAS, campaign, of_schema, today


def test_a_store_of_every_released_schema_is_migrated_with_all_it_holds(tmp_path: Path) -> None:
    summary = campaign(20260110, tmp_path, most_kills=0, tell=lambda _: None)
    assert summary.faults == []
    assert summary.opened == len(SCHEMAS)


def test_killed_in_the_migration_each_step_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    """Three kills of the way from schema 1, and the next start finishes it."""
    if strace_program() is None:
        pytest.skip(MISSING)
    summary = campaign(20260110, tmp_path, schemas=(1,), most_kills=3, tell=lambda _: None)
    assert summary.faults == []
    assert summary.kills == {1: 3}


def test_the_campaign_notices_a_row_that_is_gone(tmp_path: Path) -> None:
    """So that its verdict means something."""
    import duckdb

    from tests.faults.old_schema import _rows, _shape, opened_whole

    old = of_schema(1, today(tmp_path, 1), tmp_path / "old.duckdb")
    had = _rows(old, _shape(1))
    con = duckdb.connect(str(old))
    con.execute("DELETE FROM reading WHERE rowid = 0")
    con.close()
    assert opened_whole(1, old, had, 1) == ["expected every row as before, got other rows"]
