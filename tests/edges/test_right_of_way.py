"""Those that look wait while something is stored, and no longer than a moment."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import pytest

from loamline.edges import right_of_way
from loamline.edges.right_of_way import give_way, share_in_short_turns, storing
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader


def test_one_that_looks_goes_on_once_what_is_stored_is_stored(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(right_of_way, "_LONGEST_S", 60.0)
    told: list[str] = []

    def look() -> None:
        give_way()
        told.append("looked")

    with storing():
        thread = threading.Thread(target=look)
        thread.start()
        thread.join(0.2)
        told.append("stored")
    thread.join(30)
    assert told == ["stored", "looked"]
    give_way()  # with nobody in the way


def test_threads_hand_the_interpreters_lock_over_in_short_turns() -> None:
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(0.005)
    try:
        share_in_short_turns()
        assert sys.getswitchinterval() < 0.0005
    finally:
        sys.setswitchinterval(before_s)


def test_having_waited_in_vain_it_does_not_wait_with_its_next_questions(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(right_of_way, "_IMPATIENT_S", 60.0)
    begun_s = time.monotonic()
    with storing():
        thread = threading.Thread(target=lambda: [give_way() for _ in range(1000)])
        thread.start()
        thread.join()
    assert time.monotonic() - begun_s < 100 * right_of_way._LONGEST_S


def test_a_commit_that_takes_long_or_breaks_off_keeps_nobody_from_looking() -> None:
    with storing():
        give_way()
    with pytest.raises(OSError, match="planted"), storing():
        raise OSError("planted")
    begun_s = time.monotonic()
    give_way()
    assert time.monotonic() - begun_s < right_of_way._LONGEST_S


@pytest.mark.parametrize("ask", ["execute", "sql"])
def test_every_question_to_a_lent_view_gives_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ask: str) -> None:
    asked: list[int] = []
    monkeypatch.setattr("loamline.edges.store.reading_api.give_way", lambda: asked.append(1))
    with Store.open(tmp_path / "s.duckdb", create=True) as store:
        reader = StoreReader(store)
        with reader.view() as view:
            asked.clear()
            assert getattr(view.con, ask)("SELECT count(*) FROM uplink").fetchall() == [(0,)]
        reader.closed()
    assert asked
