"""A fault put into the N-th system call of a process on certain files, by strace (Debian, Ubuntu: `strace`)."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
MISSING = (
    "expected the strace program, found none in PATH; install it (Debian, Ubuntu: `sudo apt-get install strace`) "
    "and run this again"
)
#: What changes files, and opening them; reading is not among it.
CALLS = ("openat", "write", "pwrite64", "fdatasync", "fsync", "ftruncate", "rename", "unlink")
#: What each fault is for strace.
FAULTS = {"kill": "signal=SIGKILL", "ENOSPC": "error=ENOSPC", "EIO": "error=EIO"}
_LONGEST_S = 120
_CALL = re.compile(r"^(\d+) +(\w+)\(")


def strace_program() -> str | None:
    """Return where strace is."""
    return shutil.which("strace")


def files_of(store: Path) -> list[Path]:
    """Return the store's file and all that may lie beside it, bar the lock."""
    names = ["", ".wal", ".watermark", ".watermark.new", ".creating", ".creating.wal", ".tmp"]
    return [store.with_name(store.name + name) for name in names]


def traced(
    command: Sequence[str], files: Sequence[Path], *, fault: tuple[str, str, int] | None = None, log: Path
) -> subprocess.CompletedProcess[bytes]:
    """Run a module of Python under strace; `fault` is (call, fault, N): what happens in that thread's N-th call.

    Without one, every call on the files is written to `log`.
    """
    program = strace_program()
    if program is None:
        raise FileNotFoundError(MISSING)
    paths = [flag for path in files for flag in ("-P", str(path))]
    calls = ",".join(CALLS)
    injected = []
    if fault is not None:
        call, kind, number = fault
        calls, injected = call, ["-e", f"inject={call}:{FAULTS[kind]}:when={number}"]
    # Only the traced calls stop the process, which saves most of the time; but signals are then not delivered.
    quick = [] if fault is not None and fault[1] == "kill" else ["--seccomp-bpf"]
    flags = ["-f", *quick, "-qq", "-o", str(log), *paths, "-e", f"trace={calls}", *injected]
    return subprocess.run(
        [program, *flags, sys.executable, "-m", *command],
        cwd=ROOT,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        timeout=_LONGEST_S,
        check=False,
    )


def calls_in(log: Path) -> dict[str, int]:
    """Return how many of each call the busiest thread made: strace counts for each thread apart."""
    counts: Counter[tuple[str, str]] = Counter()
    for line in log.read_text(errors="replace").splitlines():
        if found := _CALL.match(line):
            counts[found[1], found[2]] += 1
    return {call: max((n for (_, name), n in counts.items() if name == call), default=0) for call in CALLS}
