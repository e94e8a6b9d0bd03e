"""How far each feed is, in the store: written by the thread that stores, between two commits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from loamline.edges.store.connection import Store

#: A cursor at the end of an instant: behind every probe and depth.
LAST_PROBE, LAST_DEPTH = 2**31 - 1, 255
FIRST_STEP = timedelta(hours=1)


@dataclass(frozen=True)
class Cursor:
    """The last reading that a feed has told, in the order of feeds: measured_at, probe_id, depth_index."""

    measured_at: datetime
    probe_id: int = LAST_PROBE
    depth_index: int = LAST_DEPTH


@dataclass(frozen=True)
class FeedState:
    """How far one feed is. `due_seq`: of the changes below the cursor; `read_until`: how far it may read."""

    name: str
    started_at: datetime
    cursor: Cursor
    read_until: datetime
    due_seq: int
    failing_since: datetime | None = None
    failures: int = 0
    last_error: str | None = None
    sent_at: datetime | None = None

    @property
    def at_end(self) -> bool:
        """Whether all that may be read was told, but for changes."""
        return self.cursor == Cursor(self.read_until)


def feed_states(store: Store) -> dict[str, FeedState]:
    """Return every feed by name."""
    rows = store.con.execute(
        "SELECT name, started_at, sent_measured_at, sent_probe_id, sent_depth_index, read_until, due_seq, "
        "failing_since, failures, last_error, sent_at FROM feed"
    ).fetchall()
    return {row[0]: FeedState(row[0], row[1], Cursor(*row[2:5]), *row[5:]) for row in rows}


def begin_feeds(store: Store, starts: dict[str, datetime], now: datetime) -> tuple[dict[str, FeedState], list[str]]:
    """Forget feeds that are not in `starts`, and begin new ones behind these instants; return all, and who was forgot.

    A feed's name is in `starts` whether it is new or not.
    """
    held = feed_states(store)
    others = sorted(held.keys() - starts.keys())
    due = last_due(store)
    fresh = [FeedState(name, now, Cursor(at), at, due) for name, at in starts.items() if name not in held]
    if others or fresh:
        with store.transaction():
            store.con.execute("DELETE FROM feed WHERE list_contains(?, name)", [others])
            _write(store, fresh)
            _drop_told(store)
    return feed_states(store), others


def record_feeds(store: Store, states: Sequence[FeedState]) -> None:
    """Write how far these feeds are, in one transaction; what every feed has told again is dropped."""
    with store.transaction():
        store.con.execute("DELETE FROM feed WHERE list_contains(?, name)", [[state.name for state in states]])
        _write(store, states)
        _drop_told(store)


def last_due(store: Store) -> int:
    """Return the number of the last change that was noted, told by all or not."""
    return int(
        store.scalar(
            "SELECT greatest((SELECT coalesce(max(due_seq), 0) FROM feed_due), "
            "(SELECT coalesce(max(due_seq), 0) FROM feed))"
        )
    )


def next_until(store: Store, after: datetime, settled: datetime, readings: int = 1) -> datetime | None:
    """Return how far a feed may read that has told all up to `after`; None where nothing behind it is settled yet.

    A step with some `readings` in it at least, or all, so that neither the question nor what is read at once grows with
    what waits.
    """
    step = FIRST_STEP
    while after < settled:
        until = min(after + step, settled)
        found = _some(store, after, until, readings)
        if found == readings or until == settled:
            return until if found else None
        step *= 2
    return None


def waits(store: Store, state: FeedState, settled: datetime) -> bool:
    """Return whether a feed has something to tell: settled readings behind its cursor, or changes."""
    return (
        state.due_seq < last_due(store) or not state.at_end or next_until(store, state.read_until, settled) is not None
    )


def _some(store: Store, after: datetime, until: datetime, most: int) -> int:
    return int(
        store.scalar(
            "SELECT count(*) FROM (SELECT 1 FROM reading WHERE measured_at > ? AND measured_at <= ? LIMIT ?)",
            [after, until, most],
        )
    )


def _write(store: Store, states: Sequence[FeedState]) -> None:
    for state in states:
        at = state.cursor
        store.con.execute(
            "INSERT INTO feed VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                *(state.name, state.started_at, at.measured_at, at.probe_id, at.depth_index, state.read_until),
                *(state.due_seq, state.failing_since, state.failures, state.last_error, state.sent_at),
            ],
        )


def _drop_told(store: Store) -> None:
    store.con.execute("DELETE FROM feed_due WHERE due_seq <= (SELECT coalesce(min(due_seq), 9e18) FROM feed)")
