"""What an explanation is drawn from: a probe's raw log, its stored readings near an instant, the registry's states."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pyarrow as pa

from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import CURRENT


def raw_log_of(store: Store, probe_id: int) -> pa.Table:
    """Return every delivery of one probe, columns as UPLINK."""
    log = store.raw_log(probes=[probe_id])
    return store.con.sql(f"SELECT * FROM {log} WHERE probe_id = ? ORDER BY seq", params=[probe_id]).to_arrow_table()  # noqa: S608


def stored_readings(store: Store, probe_id: int, since: datetime, until: datetime) -> pa.Table:
    """Return one probe's stored readings of a span, ends included, each with its provenance; no internal numbers."""
    return store.con.sql(
        f"""
        SELECT r.* EXCLUDE (probe_id, provenance_id), p.* EXCLUDE (provenance_id)
        FROM {CURRENT} r JOIN provenance p USING (provenance_id)
        WHERE r.probe_id = ? AND r.measured_at BETWEEN ? AND ? ORDER BY r.measured_at, r.depth_index
        """,  # noqa: S608 - our own names
        params=[probe_id, since, until],
    ).to_arrow_table()


def registry_states(store: Store) -> dict[int, dict[str, Any]]:
    """Return every registry state by number: when it was recorded, its digest, and the note of what was loaded."""
    rows = store.con.sql("SELECT * FROM reference").to_arrow_table().to_pylist()
    return {int(row["reference_id"]): row for row in rows}
