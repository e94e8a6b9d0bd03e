"""What takes long to make and is only read: made once for all processes that share a test run."""

from __future__ import annotations

import fcntl
from collections.abc import Callable
from pathlib import Path

import pytest


def once_for_all(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder that `make` filled, in this process or in another one, which is waited for."""
    here = factory.getbasetemp()
    # Each of several processes has a folder of its own below that of the run.
    shared = here.parent if here.name.startswith("popen-") else here
    folder, made = shared / f"once-{name}", shared / f"once-{name}.made"
    with (shared / f"once-{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            make(folder)
            made.touch()
    return folder
