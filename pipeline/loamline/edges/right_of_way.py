"""Who goes first: the thread that stores, before those that only look.

All threads of a process share the interpreter's lock, and each short call that lets go of it is followed by a wait for
it, as long as another thread computes: a commit makes hundreds, so that two readers make it take five times as long.
They wait with their next question while it is at work, a moment each, and have the time between two commits.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

#: How long one that looks waits with a question: longer than most commits, and no matter beside its time limit.
_LONGEST_S = 0.15
_nobody_stores = threading.Event()
_nobody_stores.set()


@contextmanager
def storing() -> Iterator[None]:
    """Have those that look wait while the body runs; one thread of a process does so."""
    _nobody_stores.clear()
    try:
        yield
    finally:
        _nobody_stores.set()


def give_way() -> None:
    """Wait until nobody stores, for a moment at most."""
    _nobody_stores.wait(_LONGEST_S)
