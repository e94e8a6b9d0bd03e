"""A thread that only looks steps back once, and alone: neither the one that stores nor what it starts does."""

from __future__ import annotations

import os
import threading

from loamline.edges.right_of_way import step_back


def _niceness() -> int:
    return os.getpriority(os.PRIO_PROCESS, threading.get_native_id())


def test_a_thread_that_looks_steps_back_once_and_no_other_does() -> None:
    told: list[int] = []

    def look() -> None:
        told.append(_niceness())
        for _ in range(3):
            step_back()
            told.append(_niceness())

    before = _niceness()
    step_back()
    assert _niceness() == before, "the main thread, of which others inherit"
    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    first, *after = told
    # 19 is the furthest that there is.
    assert after == [min(first + 5, 19)] * 3
    assert _niceness() == before
