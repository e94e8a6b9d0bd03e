"""Problems in force as the store notes them, and the events that tell of their onset and end."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import uuid4

from loamline.core import cloud_events
from loamline.core.problem_kinds import Kind
from loamline.core.rfc3339 import rfc3339
from loamline.edges.store.connection import Store
from loamline.edges.store.outbox import Waiting, add_events


@dataclass(frozen=True)
class InForce:
    """A problem in force. `subject` is probe/DEV_EUI, gateway/NAME, hardware/NAME or store."""

    kind: Kind
    subject: str
    since: datetime
    noticed_at: datetime
    detail: str
    problem_id: str


@dataclass(frozen=True)
class Change:
    """A problem that begins, that is found to have begun at another time (`silently`), or that ends; whose it is."""

    problem: InForce
    who: dict[str, Any]
    ended: bool = False
    silently: bool = False


def stored_problems(store: Store) -> list[InForce]:
    """Return the problems in force as last noted, the gravest first, the oldest of a kind first."""
    rows = store.con.execute("SELECT kind, subject, since, noticed_at, detail, problem_id FROM problem").fetchall()
    return in_order(InForce(Kind(kind), *rest) for kind, *rest in rows)


def in_order(problems: Iterable[InForce]) -> list[InForce]:
    """Return problems the gravest first, of a kind the oldest first."""
    return sorted(problems, key=lambda one: (one.kind.gravity, one.since, one.subject))


def write_changes(store: Store, changes: Sequence[Change], now: datetime, source: str | None, event_seq: int) -> int:
    """Note changes and, where `source` names us, their events behind number `event_seq`, in one transaction.

    Returns how many events. Raises duckdb.Error, and then nothing is noted.
    """
    told = [] if source is None else [change for change in changes if not change.silently]
    events = [_event(change, event_seq + 1 + place, now, source or "") for place, change in enumerate(told)]
    with store.transaction():
        for change in changes:
            one = change.problem
            store.con.execute("DELETE FROM problem WHERE kind = ? AND subject = ?", [one.kind.value, one.subject])
            if not change.ended:
                store.con.execute(
                    "INSERT INTO problem VALUES (?, ?, ?, ?, ?, ?)",
                    [one.kind.value, one.subject, one.since, one.noticed_at, one.detail, one.problem_id],
                )
        add_events(store, events)
    return len(events)


def _event(change: Change, seq: int, now: datetime, source: str) -> Waiting:
    one, event_id = change.problem, str(uuid4())
    content = {
        "problem_id": one.problem_id,
        "kind": one.kind.value,
        "since": rfc3339(one.since),
        "ended_at": rfc3339(now) if change.ended else None,
        "detail": one.detail,
        "what_to_do": None if change.ended else one.kind.what_to_do,
        **change.who,
    }
    kind = cloud_events.ENDED if change.ended else cloud_events.BEGAN
    told = cloud_events.event(event_id=event_id, source=source, kind=kind, subject=one.subject, at=now, content=content)
    return Waiting(seq, event_id, one.subject, cloud_events.as_json(told), now)
