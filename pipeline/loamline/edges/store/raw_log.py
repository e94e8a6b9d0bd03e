"""What the writer asks of the raw log: what is new to it, and what decides a window."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loamline.core.columns import Ints, instant, instants, ints, whole
from loamline.edges.store.connection import Store
from loamline.edges.store.tail import LOG, Tail, of_both
from loamline.edges.store.windows import Windows

#: The columns in which deliveries of one uplink agree.
_KEY = ("probe_id", "dev_addr", "fcnt", "fport", "payload")


def unseen(store: Store, told: pa.Table, tail: Tail | None) -> Ints:
    """Return the rows of `told` that neither it nor the raw log holds already, ascending."""
    within = tail.reaches(instants(whole(told, "heard_at"))) if tail else np.zeros(told.num_rows, dtype=bool)
    fresh = [np.empty(0, dtype=np.int64)]
    if tail and within.any():
        rows = np.flatnonzero(within)
        fresh.append(rows[tail.unseen(told.take(pa.array(rows)))])
    if not within.all():
        rows = np.flatnonzero(~within)
        fresh.append(rows[_unseen(store, told.take(pa.array(rows)))])
    return np.sort(np.concatenate(fresh))


def _unseen(store: Store, told: pa.Table) -> Ints:
    keyed = told.select(["probe_id", "heard_at", "digest"]).append_column("row", pa.array(range(told.num_rows)))
    store.con.register("_told", keyed)
    span = pc.min_max(told.column("heard_at"))
    log = store.raw_log(span["min"].as_py(), span["max"].as_py(), _probes(told))
    found = store.con.execute(
        f"""
        WITH once AS (SELECT min("row") AS "row", probe_id, heard_at, digest FROM _told GROUP BY ALL)
        SELECT "row" FROM once WHERE NOT EXISTS (
            SELECT 1 FROM {log} AS uplink
            WHERE uplink.probe_id = once.probe_id AND uplink.heard_at = once.heard_at
              AND uplink.digest = once.digest
              AND uplink.heard_at BETWEEN (SELECT min(heard_at) FROM _told) AND (SELECT max(heard_at) FROM _told)
        ) ORDER BY "row"
        """  # noqa: S608 - our own names
    ).fetchall()
    store.con.unregister("_told")
    return np.array([row for (row,) in found], dtype=np.int64)


def deliveries_in(store: Store, windows: Windows, untimed: Ints, tail: Tail | None) -> pa.Table:
    """Return the deliveries that decide `windows`, the columns of UPLINK that the chain reads (`tail.LOG`).

    Of `untimed` probes those of the same uplinks too, wherever they stand, since a delivery without a time of its own
    joins its uplink over any distance.
    """
    near = of_both(
        windows,
        windows.context_from,
        tail,
        lambda tail, reached: tail.deliveries(reached),
        lambda others: _deliveries_in(store, others),
    )
    loose = np.isin(ints(whole(near, "probe_id")), untimed)
    if not loose.any():
        return near
    kin = of_the_same_uplinks(store, near.filter(pa.array(loose)))
    further = ~np.isin(ints(whole(kin, "seq")), ints(whole(near, "seq")))
    return pa.concat_tables([near, kin.filter(pa.array(further)).select(LOG.names).cast(LOG)])


def _deliveries_in(store: Store, windows: Windows) -> pa.Table:
    store.con.register("_window", windows.table())
    since, until = instant(windows.context_from.min()), instant(windows.heard_to.max())
    log = store.raw_log(since, until, windows.probe_id.tolist())
    columns = ", ".join(f"uplink.{name}" for name in LOG.names)
    found = store.con.sql(
        f"""
        SELECT {columns} FROM {log} AS uplink JOIN _window USING (probe_id)
        WHERE heard_at BETWEEN context_from AND heard_to
          AND heard_at BETWEEN (SELECT min(context_from) FROM _window) AND (SELECT max(heard_to) FROM _window)
        """  # noqa: S608 - our own names
    ).to_arrow_table()
    store.con.unregister("_window")
    return found.cast(LOG)


def of_the_same_uplinks(store: Store, deliveries: pa.Table) -> pa.Table:
    """Return every delivery, heard whenever, whose key is that of one of `deliveries`; columns as UPLINK."""
    store.con.register("_kin", deliveries.select(list(_KEY)))
    log = store.raw_log(probes=_probes(deliveries))
    found = store.con.sql(
        f"""
        SELECT uplink.* FROM {log} AS uplink SEMI JOIN (SELECT DISTINCT * REPLACE (fcnt & 65535 AS fcnt) FROM _kin) kin
        ON uplink.probe_id = kin.probe_id AND uplink.fcnt & 65535 = kin.fcnt AND uplink.fport = kin.fport
           AND uplink.dev_addr IS NOT DISTINCT FROM kin.dev_addr AND uplink.payload = kin.payload
        """  # noqa: S608 - our own names
    ).to_arrow_table()
    store.con.unregister("_kin")
    return found


def _probes(rows: pa.Table) -> list[int]:
    numbers: list[int] = pc.unique(rows.column("probe_id")).to_pylist()
    return numbers
