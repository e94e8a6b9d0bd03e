"""Events that wait for their receiver, and how that receiver does; written by the thread that stores.

An event is added in the transaction that changes the problems, and removed once its answer is known. A crash between
the answer and its record sends it again, under the same id.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from loamline.edges.store.connection import Store


@dataclass(frozen=True)
class Waiting:
    """One event of the outbox; `seq` is its order within `subject`."""

    seq: int
    event_id: str
    subject: str
    body: str
    made_at: datetime


@dataclass(frozen=True)
class ReceiverState:
    """How the receiver does: None and 0 while it takes what it gets."""

    receiver: str
    failing_since: datetime | None = None
    failures: int = 0
    last_error: str | None = None
    sent_at: datetime | None = None


@dataclass(frozen=True)
class OutboxState:
    """What waits, since when, and the receiver, None before the first attempt."""

    waiting: int
    oldest_made_at: datetime | None
    receiver: ReceiverState | None

    def as_fields(self) -> dict[str, Any]:
        """Return it as JSON tells it."""
        return {
            "events_waiting": self.waiting,
            "oldest_made_at": self.oldest_made_at,
            "receiver": None if self.receiver is None else vars(self.receiver),
        }


def last_event_seq(store: Store) -> int:
    """Return the highest number in the outbox, 0 where it is empty."""
    return int(store.scalar("SELECT coalesce(max(event_seq), 0) FROM event_outbox"))


def add_events(store: Store, events: Sequence[Waiting]) -> None:
    """Add events, inside a transaction that the caller has begun."""
    if events:
        rows = [(one.seq, one.event_id, one.subject, one.body, one.made_at) for one in events]
        store.con.executemany("INSERT INTO event_outbox VALUES (?, ?, ?, ?, ?)", rows)


def waiting_events(store: Store, after_seq: int, most: int) -> list[Waiting]:
    """Return the first events behind `after_seq`, in order."""
    rows = store.con.execute(
        "SELECT event_seq, event_id, subject, body, made_at FROM event_outbox WHERE event_seq > ? "
        "ORDER BY event_seq LIMIT ?",
        [after_seq, most],
    ).fetchall()
    return [Waiting(*row) for row in rows]


def record_answers(store: Store, sent: Sequence[str], receiver: ReceiverState | None) -> None:
    """Remove the events that were taken, and note how the receiver does, in one transaction."""
    with store.transaction():
        if sent:
            store.con.execute("DELETE FROM event_outbox WHERE list_contains(?, event_id)", [list(sent)])
        if receiver is not None:
            store.con.execute("DELETE FROM event_receiver")
            store.con.execute(
                "INSERT INTO event_receiver VALUES (?, ?, ?, ?, ?)",
                [
                    receiver.receiver,
                    receiver.failing_since,
                    receiver.failures,
                    receiver.last_error,
                    receiver.sent_at,
                ],
            )


def outbox_state(store: Store) -> OutboxState:
    """Return what waits, and how the receiver does."""
    ((waiting, oldest),) = store.con.execute("SELECT count(*), min(made_at) FROM event_outbox").fetchall()
    rows = store.con.execute(
        "SELECT receiver, failing_since, failures, last_error, sent_at FROM event_receiver"
    ).fetchall()
    return OutboxState(int(waiting), oldest, ReceiverState(*rows[0]) if rows else None)
