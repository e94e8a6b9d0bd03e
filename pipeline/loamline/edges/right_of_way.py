"""Who goes first: the thread that stores, before those that only look.

All threads of a process share the interpreter's lock, and each short call that lets go of it is followed by a wait for
it, as long as another thread computes: a commit makes hundreds, so that two readers make it take five times as long.
They wait with their next question while it is at work, a moment each, and have the time between two commits.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

#: How long one that looks waits with a question: longer than most commits, and no matter beside its time limit. Having
#: waited in vain, it does not wait for some time: where one commit follows another it would be at it for ever.
_LONGEST_S, _IMPATIENT_S = 0.15, 1.0
#: How long a thread that computes keeps the interpreter's lock from one that waits for it; 5 ms is Python's own.
_HOLD_S = 0.0001
_own = threading.local()
_nobody_stores = threading.Event()
_nobody_stores.set()


def share_in_short_turns() -> None:
    """Have this process's threads hand over the interpreter's lock after a tenth of a millisecond.

    Whoever stores lets go of it hundreds of times a commit, for a moment each, and by Python's own measure gets it back
    after 5 ms wherever a reader computes meanwhile.
    """
    sys.setswitchinterval(_HOLD_S)


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
    if time.monotonic() >= getattr(_own, "patient_from_s", 0.0) and not _nobody_stores.wait(_LONGEST_S):
        _own.patient_from_s = time.monotonic() + _IMPATIENT_S
