"""The work behind `loamline mirror`, for whoever has the store open: a command, or the daemon that a command asked."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from pathlib import Path

import duckdb
import pyarrow as pa

from loamline.app.looking import Look
from loamline.app.replaying import ReplayError
from loamline.edges.mirror import Lend, MirrorError, mirror_steps
from loamline.edges.store.reading_api import NotNowError, TooLongError

#: For one file to be read and written, or for the readings of a month to be compared with those that stand there.
LONGEST_STEP_S = 600.0
#: Progress is told in so many parts of the whole.
_PARTS = 1000


def mirroring(lend: Lend, folder: Path, now: datetime) -> Look:
    """Return how many readings stand in the mirror then, and of how many files what was done. Raises ReplayError."""
    files: Counter[str] = Counter(written=0, unchanged=0, removed=0)
    readings = 0
    try:
        for step in mirror_steps(lend, folder, now):
            files[step.outcome] += 1
            if step.path.startswith("readings/") and step.outcome != "removed":
                readings += step.rows
            yield {"part": "files", "done": round(_PARTS * step.share), "total": _PARTS}
    except MirrorError as problem:
        raise ReplayError(str(problem)) from problem
    except (NotNowError, TooLongError, duckdb.Error, pa.ArrowException) as problem:
        first = str(problem).splitlines()[0]
        raise ReplayError(
            f"expected to read the store for the mirror, got: {first}; run it again to go on"
        ) from problem
    except OSError as problem:
        raise ReplayError(
            f"expected to write the mirror {folder}, got: {problem}; mend the cause and run it again to go on"
        ) from problem
    return {"readings": readings, "files": dict(files)}
