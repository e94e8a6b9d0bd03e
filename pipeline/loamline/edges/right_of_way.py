"""Who goes first on a busy machine: the thread that stores, before those that only look.

Linux schedules threads by a niceness of their own. One that looks steps back a little and stays so; not far, since it
may hold the interpreter's lock, for which the one that stores then waits.
"""

from __future__ import annotations

import os
import sys
import threading
from contextlib import suppress

#: One that stores gets about three times the processor of one that looks, where both want it (sched(7)).
_STEPS_BACK = 5
_own = threading.local()


def step_back() -> None:
    """Have the calling thread leave the processor to others; the main thread, which others inherit from, doesn't."""
    if getattr(_own, "stepped", False) or threading.current_thread() is threading.main_thread():
        return
    _own.stepped = True
    if sys.platform == "linux":
        number = threading.get_native_id()
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, number, os.getpriority(os.PRIO_PROCESS, number) + _STEPS_BACK)
