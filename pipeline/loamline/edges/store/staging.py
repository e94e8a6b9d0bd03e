"""Staging a revision: what it changes, probe by probe, written where no reader looks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import ints, whole
from loamline.edges.store.connection import Store
from loamline_schemas.tables import PROVENANCE, READING

_KEY = "probe_id, depth_index, measured_at"
_MADE_BY = ", ".join(
    "coalesce(rules, 1)" if name == "rules" else name
    for name in PROVENANCE.names
    if name not in ("provenance_id", "reference_id")
)
_DIFFERS = " OR ".join(
    f"c.{name} IS DISTINCT FROM h.{name}" for name in READING.names if name not in (*_KEY.split(", "), "provenance_id")
)
#: By probe, how many of `coming` have no equal in `held`: in what they say, or in the content of what made them,
#: whichever numbers stand for that.
_CHANGED = f"""
    WITH told AS (
        SELECT provenance_id, dense_rank() OVER (ORDER BY {_MADE_BY}) AS content FROM provenance
        WHERE provenance_id IN (SELECT provenance_id FROM {{coming}} UNION SELECT provenance_id FROM {{held}})
    )
    SELECT c.probe_id, count(*) FROM {{coming}} c LEFT JOIN {{held}} h USING ({_KEY})
    LEFT JOIN told AS now ON now.provenance_id = c.provenance_id
    LEFT JOIN told AS then_ ON then_.provenance_id = h.provenance_id
    WHERE h.probe_id IS NULL OR {_DIFFERS} OR now.content <> then_.content GROUP BY c.probe_id
"""  # noqa: S608 - our own names


def unstaged(store: Store, revision_id: int) -> Any:
    """Return the probes whose changes are not staged, or staged before their newest uplink came; ascending."""
    found = store.con.execute(
        f"""
        SELECT probe_id FROM revision_span
        LEFT JOIN (
            SELECT probe_id, max(seq) AS newest FROM {store.raw_log()}
            WHERE seq > (SELECT min(staged_seq) FROM revision_span WHERE revision_id = ?) GROUP BY probe_id
        ) USING (probe_id)
        WHERE revision_id = ? AND (staged_seq IS NULL OR staged_seq < newest) ORDER BY probe_id
        """,  # noqa: S608 - our own names
        [revision_id, revision_id],
    ).fetchall()
    return np.array([number for (number,) in found], dtype=np.int64)


def standing(store: Store, probes: Any) -> pa.Table:
    """Return what stands in `reading` of some probes."""
    store.con.register("_standing", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    found = store.con.sql("SELECT * FROM reading SEMI JOIN _standing USING (probe_id)").to_arrow_table()
    store.con.unregister("_standing")
    return found


def stage(store: Store, revision_id: int, probes: Any, held: pa.Table, coming: pa.Table, seq: int) -> dict[int, int]:
    """Stage what changes for `probes`, whose readings stand as `held` and are to be `coming`; return `changed_of`.

    Both have the columns of READING. `seq` is the last raw-log row that they know of.
    """
    con = store.con
    con.register("_coming", coming)
    con.register("_probes", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    con.register("_held", held)
    goes = con.sql(f"SELECT * FROM _held ANTI JOIN _coming USING ({_KEY})").to_arrow_table()  # noqa: S608
    con.register("_goes", goes)
    counts = con.execute(_CHANGED.format(coming="_coming", held="_held")).fetchall()
    try:
        with store.transaction():
            con.execute("DELETE FROM reading_staged WHERE probe_id IN (SELECT probe_id FROM _probes)")
            con.execute(
                f"INSERT INTO reading_staged SELECT ?, false, c.* FROM _coming c LEFT JOIN _held h USING ({_KEY}) "  # noqa: S608
                f"WHERE h.probe_id IS NULL OR {_DIFFERS} OR c.provenance_id <> h.provenance_id",
                [revision_id],
            )
            con.execute("INSERT INTO reading_staged SELECT ?, true, * FROM _goes", [revision_id])
            con.execute(
                "UPDATE revision_span SET staged_seq = ? "
                "WHERE revision_id = ? AND probe_id IN (SELECT probe_id FROM _probes)",
                [seq, revision_id],
            )
    finally:
        for name in ("_coming", "_probes", "_held", "_goes"):
            con.unregister(name)
    gone = Counter(ints(whole(goes, "probe_id")).tolist())
    told = Counter({int(number): int(count) for number, count in counts})
    return dict.fromkeys(list(probes), 0) | dict(told + gone)


def staged(store: Store, revision_id: int) -> list[int]:
    """Return the probes whose changes are staged, ascending."""
    found = store.con.execute(
        "SELECT probe_id FROM revision_span WHERE revision_id = ? AND staged_seq IS NOT NULL ORDER BY probe_id",
        [revision_id],
    ).fetchall()
    return [int(number) for (number,) in found]


def changed_of(store: Store, probes: Iterable[int]) -> dict[int, int]:
    """Return, by probe, how many staged readings say anything else than before, come or go.

    What made a reading counts by its content. That it names a later registry state is no change by itself, where the
    state says the same of it.
    """
    told = list(probes)
    store.con.register("_counted", pa.table({"probe_id": pa.array(told, pa.int32())}))
    of_these = "probe_id IN (SELECT probe_id FROM _counted)"
    counts = store.con.execute(
        _CHANGED.format(
            coming=f"(SELECT * EXCLUDE (revision_id, gone) FROM reading_staged WHERE NOT gone AND {of_these})",  # noqa: S608
            held=f"(SELECT * FROM reading WHERE {of_these})",  # noqa: S608
        )
    ).fetchall()
    gone = store.con.execute(
        f"SELECT probe_id, count(*) FROM reading_staged WHERE gone AND {of_these} GROUP BY probe_id"  # noqa: S608
    ).fetchall()
    store.con.unregister("_counted")
    found = Counter({int(number): int(count) for number, count in counts})
    return dict.fromkeys(told, 0) | dict(found + Counter({int(number): int(count) for number, count in gone}))
