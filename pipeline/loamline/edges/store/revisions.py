"""Revisions in the store: which are in force, how far one in preparation is, and its publication.

A revision's changes are staged where no reader looks, probe by probe; one small transaction publishes them all;
then they are merged into `reading`, probe by probe again. `current_reading` shows the same before and after each
of these steps. Each step is a transaction of its own, so that a kill leaves a whole state and a rerun goes on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import pyarrow as pa

from loamline.core.columns import instants, ints, whole
from loamline.core.revisions import Revision, Revisions
from loamline.edges.store.connection import Store
from loamline.edges.store.feed_due import note_merged
from loamline_schemas.tables import REVISION

Step = Literal["preparing", "applied", "withdrawing", "undone"]

#: What every reader of readings reads: `reading`, and over it what is published but not merged yet.
CURRENT = """(
    SELECT r.* FROM reading r ANTI JOIN (
        SELECT probe_id, depth_index, measured_at FROM reading_staged
        WHERE probe_id IN (SELECT probe_id FROM revision_span WHERE pending)
    ) USING (probe_id, depth_index, measured_at)
    UNION ALL
    SELECT * EXCLUDE (revision_id, gone) FROM reading_staged
    WHERE NOT gone AND probe_id IN (SELECT probe_id FROM revision_span WHERE pending)
)"""


@dataclass(frozen=True)
class RevisionRow:
    """One row of REVISION."""

    revision_id: int
    reference_id: int
    reason: str
    asked_by: str
    scope: str
    step: Step
    asked_at: datetime
    published_at: datetime | None
    undone_at: datetime | None
    changed: int | None


@dataclass(frozen=True)
class Span:
    """What a revision covers of one probe's history; instants in microseconds, end points included."""

    probe_id: int
    measured_from_us: int
    measured_to_us: int


def revision_rows(store: Store) -> list[RevisionRow]:
    """Return every revision, the oldest first."""
    found = store.con.execute(f"SELECT {', '.join(REVISION.names)} FROM revision ORDER BY revision_id").fetchall()  # noqa: S608 - our own names
    return [RevisionRow(*row) for row in found]


def revisions(
    store: Store, *, but: int | None = None, also: int | None = None, as_of: datetime | None = None
) -> Revisions:
    """Return the revisions in force: now, or as of an instant; without `but`, and with `also`, by number."""
    chosen = []
    for row in revision_rows(store):
        published = row.published_at is not None and (as_of is None or row.published_at <= as_of)
        undone = row.undone_at is not None and (as_of is None or row.undone_at <= as_of)
        if ((published and not undone) or row.revision_id == also) and row.revision_id != but:
            chosen.append(_revision(store, row))
    return Revisions(tuple(chosen))


def _revision(store: Store, row: RevisionRow) -> Revision:
    spans = store.con.sql(
        "SELECT probe_id, measured_from, measured_to FROM revision_span WHERE revision_id = ? ORDER BY probe_id",
        params=[row.revision_id],
    ).to_arrow_table()
    return Revision(
        row.reference_id,
        ints(whole(spans, "probe_id")),
        instants(whole(spans, "measured_from")),
        instants(whole(spans, "measured_to")),
    )


def unfinished(store: Store) -> RevisionRow | None:
    """Return the revision that is being prepared, withdrawn or merged; None where none is."""
    found = store.con.execute("SELECT DISTINCT revision_id FROM revision_span WHERE pending").fetchall()
    pending = {number for (number,) in found}
    for row in revision_rows(store):
        if row.step in ("preparing", "withdrawing") or row.revision_id in pending:
            return row
    return None


def open_revision(
    store: Store, *, reference_id: int, reason: str, asked_by: str, scope: str, now: datetime, spans: Iterable[Span]
) -> int:
    """Record a revision in preparation; return its number."""
    con = store.con
    number = int(store.scalar("SELECT coalesce(max(revision_id), 0) + 1 FROM revision"))
    told = list(spans)
    table = pa.table(
        {
            "probe_id": pa.array([span.probe_id for span in told], pa.int32()),
            "measured_from": pa.array([span.measured_from_us for span in told], pa.int64()),
            "measured_to": pa.array([span.measured_to_us for span in told], pa.int64()),
        }
    )
    con.register("_spans", table)
    try:
        with store.transaction():
            con.execute(
                "INSERT INTO revision VALUES (?, ?, ?, ?, ?, 'preparing', ?, NULL, NULL, NULL)",
                [number, reference_id, reason, asked_by, scope, now],
            )
            con.execute(
                "INSERT INTO revision_span SELECT ?, probe_id, make_timestamptz(measured_from), "
                "make_timestamptz(measured_to), NULL, false FROM _spans",
                [number],
            )
    finally:
        con.unregister("_spans")
    return number


def publish(store: Store, revision_id: int, now: datetime, changed: int) -> None:
    """Make the staged changes the ones to see, `changed` readings. Runs in the caller's transaction, and is small."""
    con = store.con
    step = store.scalar("SELECT step FROM revision WHERE revision_id = ?", [revision_id])
    if step == "preparing":
        con.execute(
            "UPDATE revision SET step = 'applied', published_at = ?, changed = ? WHERE revision_id = ?",
            [now, changed, revision_id],
        )
    else:
        con.execute("UPDATE revision SET step = 'undone', undone_at = ? WHERE revision_id = ?", [now, revision_id])
    con.execute(
        "UPDATE revision_span SET pending = true WHERE revision_id = ? "
        "AND probe_id IN (SELECT probe_id FROM reading_staged)",
        [revision_id],
    )


def pending_probes(store: Store) -> list[int]:
    """Return the probes whose published changes are not merged yet, ascending."""
    found = store.con.execute("SELECT DISTINCT probe_id FROM revision_span WHERE pending ORDER BY probe_id").fetchall()
    return [int(number) for (number,) in found]


def merge_pending(store: Store, probes: Iterable[int]) -> None:
    """Write the published changes of `probes` into `reading`. Runs in the caller's transaction."""
    store.changes += 1
    con = store.con
    con.register("_merged", pa.table({"probe_id": pa.array(list(probes), pa.int32())}))
    note_merged(store)
    staged = "SELECT * FROM reading_staged WHERE probe_id IN (SELECT probe_id FROM _merged)"
    con.execute(
        f"DELETE FROM reading r USING ({staged}) s WHERE r.probe_id = s.probe_id "  # noqa: S608
        "AND r.depth_index = s.depth_index AND r.measured_at = s.measured_at"
    )
    con.execute(
        f"INSERT INTO reading SELECT * EXCLUDE (revision_id, gone) FROM ({staged}) WHERE NOT gone "  # noqa: S608
        "ORDER BY probe_id, depth_index, measured_at"
    )
    con.execute("DELETE FROM reading_staged WHERE probe_id IN (SELECT probe_id FROM _merged)")
    con.execute("UPDATE revision_span SET pending = false WHERE pending AND probe_id IN (SELECT probe_id FROM _merged)")
    con.unregister("_merged")


def withdraw(store: Store, revision_id: int) -> None:
    """Begin to take a revision back: its readings are to be staged as they would be without it."""
    with store.transaction():
        store.con.execute("UPDATE revision SET step = 'withdrawing' WHERE revision_id = ?", [revision_id])
        forget_staged(store, revision_id)


def give_up(store: Store, revision_id: int, now: datetime) -> None:
    """Drop a revision in preparation; no reader has seen anything of it."""
    with store.transaction():
        store.con.execute(
            "UPDATE revision SET step = 'undone', undone_at = ? WHERE revision_id = ?", [now, revision_id]
        )
        store.con.execute("DELETE FROM reading_staged")
        forget_staged(store, revision_id)


def forget_staged(store: Store, revision_id: int, where: str = "true") -> None:
    """Have what a revision staged be staged again, for the probes of the condition `where`."""
    store.con.execute(
        f"UPDATE revision_span SET staged_seq = NULL WHERE revision_id = ? AND {where}",  # noqa: S608 - our own words
        [revision_id],
    )
