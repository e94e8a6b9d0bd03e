"""A store for measuring holds the same, whether it was made at once, interrupted, or gone on with later."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from loamline.core.columns import HOUR_US, instant
from loamline.edges.store.connection import Store
from tests.bench import year_store
from tests.bench.reading_load import uplinks
from tests.bench.year_store import Year, lengthen, make_year, store_in, year_in

YEAR = Year.ending(24, 400, datetime(2026, 5, 1, 10, 30, tzinfo=UTC))
LONGER = Year(24, 440, YEAR.start_us)


@pytest.fixture(autouse=True)
def small_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(year_store, "_DERIVED", 2_000)
    monkeypatch.setattr(year_store, "_WRITTEN", 1_500)


def _rows(folder: Path) -> list[Any]:
    told = ("uplink", "status", "set_aside", "(SELECT * EXCLUDE (provenance_id) FROM readings)")
    readings = "WITH readings AS (FROM reading JOIN provenance USING (provenance_id))"
    with Store.open(store_in(folder)) as store:
        return [store.con.execute(f"{readings} FROM {name} ORDER BY ALL").fetchall() for name in told]


def test_it_ends_with_the_hour_that_is_asked_for(tmp_path: Path) -> None:
    make_year(tmp_path, YEAR)
    assert instant(YEAR.start_us + YEAR.hours * HOUR_US) == datetime(2026, 5, 1, 10, tzinfo=UTC)
    with Store.open(store_in(tmp_path)) as store:
        newest = store.scalar("SELECT max(heard_at) FROM uplink")
        assert (newest.hour, newest.day) == (9, 1)
        assert store.scalar("SELECT count(*) FROM reading") > 9_000


def test_what_was_interrupted_goes_on_to_the_same(tmp_path: Path) -> None:
    class StopError(Exception):
        pass

    for part, most in (("hours of the raw log", 100), ("probes derived", 9)):

        def stop(word: str, done: int, _total: int, part: str = part, most: int = most) -> None:
            if word == part and done >= most:
                raise StopError

        with pytest.raises(StopError):
            make_year(tmp_path / "halting", YEAR, stop)
        assert year_in(tmp_path / "halting") is None
    make_year(tmp_path / "halting", YEAR)
    make_year(tmp_path / "whole", YEAR)
    assert _rows(tmp_path / "halting") == _rows(tmp_path / "whole")


def test_what_is_gone_on_with_later_is_as_if_made_at_once(tmp_path: Path) -> None:
    make_year(tmp_path / "short", YEAR)
    assert lengthen(tmp_path / "short", LONGER.hours) == LONGER == year_in(tmp_path / "short")
    make_year(tmp_path / "long", LONGER)
    assert _rows(tmp_path / "short") == _rows(tmp_path / "long")


def test_messages_that_follow_are_those_of_the_hours_that_follow(tmp_path: Path) -> None:
    made = uplinks(YEAR, 50)
    assert len({*made}) == len(made) == 50
    assert all(f'"heard_at":"2026-05-01T1{hour}' in body.decode() for hour, body in ((0, made[0]), (2, made[-1])))
