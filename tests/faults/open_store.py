"""Opens a store as a command would, migrates it where it is old, and closes it: what a kill in a migration hits."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from loamline.edges.store.connection import Store

if __name__ == "__main__":
    # With one core DuckDB makes one thread, and the N-th system call is the same in every run.
    cores = sorted(os.sched_getaffinity(0))
    os.sched_setaffinity(0, {cores[os.getpid() % len(cores)]})
    Store.open(Path(sys.argv[1])).close()
