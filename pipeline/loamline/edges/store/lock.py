"""Who has the store open: the lock file beside it, and the errors that tell why a store can't be had."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

#: What can be done where the process that has a store open is the daemon.
BESIDE = (
    "While a daemon runs, commands that only read work beside it, "
    "and it does the work of `backup`, `key`, `registry load`, `replay`, `archive` and `mirror`"
)


class StoreError(Exception):
    """The store can't be opened or written; the message says what was expected, what came and what to do."""


class StoreBusyError(StoreError):
    """Another process has the store open."""


class StoreOutdatedError(StoreError):
    """The store is sound, and of an older schema; a command that writes brings it up to date."""


def lock(path: Path, *, shared: bool) -> int:
    """Return the descriptor of `FILE.lock` beside `path`, held until it is closed: by all who read, or one who writes.

    Raises StoreError, StoreBusyError where others have it.
    """
    lock_path = path.with_name(path.name + ".lock")
    try:
        descriptor = os.open(lock_path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as problem:
        raise StoreError(f"expected to lock the store by {lock_path}, got {problem.strerror}") from problem
    try:
        fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError:
        holder = os.pread(descriptor, 64, 0).decode(errors="replace").strip() or "another process"
        os.close(descriptor)
        raise StoreBusyError(
            f"expected {path} to be free, but {holder} has it open; stop it (or wait for it) and try again. {BESIDE}"
        ) from None
    os.ftruncate(descriptor, 0)  # no longer the process that had it before
    if not shared:
        os.pwrite(descriptor, f"process {os.getpid()}".encode(), 0)
    return descriptor
