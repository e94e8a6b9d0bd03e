"""A small ingest through the daemon's own loop, as a process that faults are put into.

    python -m tests.faults.small_ingest STORE ACKNOWLEDGED SEED

Makes the store where there is none, loads the registry, stores `BATCHES` batches, checkpoints in the middle, and closes
the store. Each acknowledgement is a line in the file ACKNOWLEDGED, written with one call, by which the parent process
knows what must be there. Exit 0: all is stored; 3: the store stayed away; anything else is the fault's doing.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import duckdb

from loamline.app.ingest import Ingest, make_log
from loamline.edges.inbox import Delivery
from loamline.edges.messages import Outcome
from loamline.edges.store.connection import Store, StoreError
from loamline_codecs import builtin_codecs
from tests.support.uplinks import as_bytes, fleet, registered_store

BATCHES, UPLINKS_A_BATCH = 6, 8
_UNREADABLE = b"no uplink at all"


def uplinks(seed: int) -> list[dict[str, Any]]:
    """Return the uplinks that a run of this seed stores."""
    return list(islice(fleet(seed), BATCHES * UPLINKS_A_BATCH))


class _Feed:
    """Hands on the batches, and stops the daemon when all is done."""

    def __init__(self, batches: list[list[Delivery]], acknowledged: int) -> None:
        self._batches, self._acknowledged = batches, acknowledged
        self.daemon: Ingest | None = None

    def start(self) -> None: ...

    def receive(self, _wait_s: float) -> list[Delivery]:
        if self._batches:
            return self._batches.pop(0)
        if self.daemon is not None:
            self.daemon.stop()
        return []

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        os.write(self._acknowledged, b"".join(b"%d\n" % delivery.mid for delivery in deliveries))
        return len(deliveries)

    def stop_intake(self) -> None: ...

    def close(self) -> None: ...


def main() -> int:
    """Run it."""
    path, seed = Path(sys.argv[1]), int(sys.argv[3])
    # DuckDB makes a thread for each core that it may use; with one, the N-th call is the same in every run.
    cores = sorted(os.sched_getaffinity(0))
    os.sched_setaffinity(0, {cores[os.getpid() % len(cores)]})
    acknowledged = os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        # Loading the same registry again changes nothing, and a crash may have come between making and loading.
        registered_store(path).close()
    except (StoreError, duckdb.Error, OSError) as problem:
        sys.stderr.write(f"{type(problem).__name__}: {problem}\n")
        return 4
    numbered = list(enumerate(uplinks(seed)))
    batches = [
        [Delivery(0, number, 1, "t", as_bytes(told)) for number, told in numbered[at : at + UPLINKS_A_BATCH]]
        for at in range(0, len(numbered), UPLINKS_A_BATCH)
    ]
    for batch in batches[::2]:
        batch.append(Delivery(0, -1, 1, "t", _UNREADABLE + b" %d" % batch[0].mid))
    feed = _Feed(batches, acknowledged)
    commits = 0

    def checkpoint(store: Store, _outcome: Outcome) -> None:
        nonlocal commits
        commits += 1
        if commits == BATCHES // 2:
            store.con.execute("CHECKPOINT")

    daemon = feed.daemon = Ingest(
        store=path,
        codecs=builtin_codecs(),
        source=feed,
        log=make_log("json"),
        shortest_pause_s=0.02,
        observers=[checkpoint],
    )
    return 0 if daemon.run() else 3


if __name__ == "__main__":
    sys.exit(main())
