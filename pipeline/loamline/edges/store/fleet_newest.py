"""The newest of every probe: when it was heard, and what its newest reading tells, without reading all of history.

Nearly every probe was heard within the window that is looked at anyway. Only those that were not are looked for in what
lies before it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

import pyarrow as pa

from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import CURRENT

#: Rows of some probes, by number, out of what was heard in (since, until]; without `since` in all until then.
_Look = Callable[[Store, Sequence[int], datetime | None, datetime], pa.Table]


def last_heard(store: Store, numbers: Sequence[int], since: Sequence[datetime], until: datetime) -> pa.Table:
    """Return `probe_id` and `last_heard_at` of those of `numbers` (ascending) that were heard by `until`.

    They are looked for after each of `since` in turn, the latest first, and then in what lies before.
    """
    return _nearest(store, numbers, since, until, _heard)


def newest_readings(store: Store, numbers: Sequence[int], since: Sequence[datetime], until: datetime) -> pa.Table:
    """Return supply, tilt, firmware and codec of the newest reading heard by `until` of those that have one.

    `since` as for `last_heard`.
    """
    return _nearest(store, numbers, since, until, _read)


def _nearest(store: Store, numbers: Sequence[int], since: Sequence[datetime], until: datetime, look: _Look) -> pa.Table:
    found, left = [], numbers
    for begin in (*since, None):
        found.append(look(store, left, begin, until))
        left = sorted(set(left) - set(found[-1].column("probe_id").to_pylist()))
        if not left:
            break
        until = begin or until
    return pa.concat_tables(found)


def _heard(store: Store, numbers: Sequence[int], since: datetime | None, until: datetime) -> pa.Table:
    log = store.raw_log(since, until)
    return _asked(
        store,
        numbers,
        f"SELECT probe_id, max(heard_at) AS last_heard_at FROM {log} SEMI JOIN _numbers USING (probe_id) "  # noqa: S608
        f"WHERE {_within(since)} GROUP BY probe_id",
        since,
        until,
    )


def _read(store: Store, numbers: Sequence[int], since: datetime | None, until: datetime) -> pa.Table:
    return _asked(
        store,
        numbers,
        f"""
        WITH newest AS (
            SELECT probe_id, max(heard_at) AS heard_at FROM {CURRENT} SEMI JOIN _numbers USING (probe_id)
            WHERE {_within(since)} GROUP BY probe_id
        )
        SELECT probe_id, supply_v, supply_low, tilted, firmware_major || '.' || firmware_minor AS firmware, codec
        FROM {CURRENT} JOIN newest USING (probe_id, heard_at) JOIN provenance USING (provenance_id)
        WHERE {_within(since)}
        QUALIFY row_number() OVER (PARTITION BY probe_id ORDER BY fcnt DESC, measured_at DESC, depth_index) = 1
        """,  # noqa: S608 - our own names
        since,
        until,
    )


def _within(since: datetime | None) -> str:
    return "heard_at <= $until" + ("" if since is None else " AND heard_at > $since")


def _asked(store: Store, numbers: Sequence[int], sql: str, since: datetime | None, until: datetime) -> pa.Table:
    store.con.register("_numbers", pa.table({"probe_id": pa.array(numbers, pa.int32())}))
    try:
        told = {"until": until} | ({} if since is None else {"since": since})
        return store.con.sql(sql, params=told).to_arrow_table()
    finally:
        store.con.unregister("_numbers")
