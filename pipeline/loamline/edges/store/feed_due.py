"""Which readings feeds have to tell again: noted in the transaction that changes them, and nothing where no feed is.

On-time uplinks change readings that no feed has read yet, so that a commit notes nothing as a rule; what it notes
grows with what it changes, never with the fleet.
"""

from __future__ import annotations

from datetime import datetime

import pyarrow as pa

from loamline.core.columns import instants, whole
from loamline.edges.store.connection import Store
from loamline_schemas.tables import READING

_KEY = "probe_id, depth_index, measured_at"
_DIFFERS = " OR ".join(
    f"s.{name} IS DISTINCT FROM h.{name}" for name in READING.names if name not in (*_KEY.split(", "), "provenance_id")
)
#: What a reading tells of what made it.
_MADE_BY = ("codec", "probe_digest", "placement_digest", "transducer_curve", "soil_curve")
_MADE_OTHERWISE = " OR ".join(f"sp.{name} IS DISTINCT FROM hp.{name}" for name in _MADE_BY)
_NEXT = "(SELECT greatest((SELECT coalesce(max(due_seq), 0) FROM feed_due), (SELECT max(due_seq) FROM feed)))"


def noted_until(store: Store) -> datetime | None:
    """Return up to which instant of measurement changes are to be noted; None where there is no feed."""
    until: datetime | None = store.scalar("SELECT max(read_until) FROM feed")
    return until


def note_changes(store: Store, gone: pa.Table, added: pa.Table) -> None:
    """Note what a commit changes in `reading`: rows of READING that go, and that come. Runs in its transaction."""
    until = noted_until(store)
    if until is None or not (_reach(gone, until) or _reach(added, until)):
        return
    con = store.con
    told = [*_KEY.split(", "), "provenance_id"]
    con.register("_was", gone.select(told))
    con.register("_comes", added.select(told))
    con.execute(
        f"INSERT INTO feed_due SELECT {_NEXT} + row_number() OVER (ORDER BY {_KEY}), {_KEY}, "  # noqa: S608 - our own names
        f"max(w.provenance_id), NULL, false FROM _was w FULL JOIN _comes c USING ({_KEY}) WHERE measured_at <= ? "
        f"GROUP BY {_KEY}",
        [until],
    )
    con.unregister("_was")
    con.unregister("_comes")


def note_merged(store: Store) -> None:
    """Note what merging the staged changes of the probes in `_merged` changes; before it, and in its transaction."""
    until = noted_until(store)
    if until is None:
        return
    store.con.execute(
        f"""
        INSERT INTO feed_due SELECT {_NEXT} + row_number() OVER (ORDER BY s.probe_id, s.depth_index, s.measured_at),
            s.probe_id, s.depth_index, s.measured_at, h.provenance_id, s.revision_id, v.step = 'undone'
        FROM (SELECT * FROM reading_staged WHERE probe_id IN (SELECT probe_id FROM _merged)) s
        JOIN revision v USING (revision_id) LEFT JOIN reading h USING ({_KEY})
        LEFT JOIN provenance sp ON sp.provenance_id = s.provenance_id
        LEFT JOIN provenance hp ON hp.provenance_id = h.provenance_id
        WHERE s.measured_at <= ? AND (s.gone OR h.provenance_id IS NULL OR {_DIFFERS} OR {_MADE_OTHERWISE})
        """,  # noqa: S608 - our own names
        [until],
    )


def _reach(rows: pa.Table, until: datetime) -> bool:
    at_us = instants(whole(rows, "measured_at"))
    return bool(len(at_us)) and int(at_us.min()) <= round(until.timestamp() * 1_000_000) + 1
