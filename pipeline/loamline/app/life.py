"""How the running daemon is, for whoever asks: since when, its ways in, its store, when it last stored and heard."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loamline.app.output import rfc3339
from loamline.edges.messages import Outcome
from loamline.edges.store.connection import Store


class Life:
    """One life of the daemon; `committed` is called by the thread that stores, after each commit."""

    def __init__(self, ways_in: Callable[[], dict[str, Any]]) -> None:
        self._since, self._ways_in = datetime.now(UTC), ways_in
        self._last_commit_at: datetime | None = None

    def committed(self, _store: Store, _outcome: Outcome) -> None:
        """Note that something was stored."""
        self._last_commit_at = datetime.now(UTC)

    def told(self, store: Store) -> dict[str, Any]:
        """Return it as JSON takes it; instants are RFC 3339, sizes bytes."""
        heard = store.scalar("SELECT max(heard_at) FROM uplink")
        if heard is None and store.archived:
            # Archived files are opened where nothing newer stands in the table alone.
            heard = store.scalar(f"SELECT max(heard_at) FROM {store.raw_log()}")  # noqa: S608 - our own names
        return {
            "process": os.getpid(),
            "since": rfc3339(self._since),
            "store": str(store.path.absolute()),
            "schema": store.scalar("SELECT max(number) FROM migration"),
            "last_seq": store.last_seq(),
            "reference_id": store.scalar("SELECT max(reference_id) FROM reference"),
            "last_commit_at": None if self._last_commit_at is None else rfc3339(self._last_commit_at),
            "last_heard_at": None if heard is None else rfc3339(heard),
            "heard_and_stored": heard_and_stored(store),
            **sizes(store.path),
            **self._ways_in(),
        }


def sizes(path: Path) -> dict[str, int]:
    """Return the bytes of the store at `path` and its write-ahead log, and those free on the disk, as `stat` says."""
    names = (path, path.with_name(path.name + ".wal"))
    held = sum(name.stat().st_size for name in names if name.exists())  # never opened: that would drop DuckDB's lock
    disk = shutil.disk_usage(path.absolute().parent)
    return {"store_bytes": held, "disk_free_bytes": disk.free, "disk_bytes": disk.total}


def heard_and_stored(store: Store, rows: int = 1000) -> dict[str, Any]:
    """Return how long the newest raw-log rows took from a clock that is not ours to the store, seconds.

    `rows` is how many there are with such a clock among the newest, `least_s` and `most_s` are null without any.
    """
    count, least, most = store.con.execute(
        "SELECT count(*), min(took), max(took) FROM (SELECT epoch(stored_at) - epoch(heard_at) AS took FROM uplink "
        "WHERE heard_at_source <> 2 AND seq > (SELECT coalesce(max(seq), 0) FROM uplink) - ?)",
        [rows],
    ).fetchall()[0]
    return {"rows": count, "least_s": least, "most_s": most}
