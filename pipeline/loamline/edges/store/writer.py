"""The one writer: a batch of messages becomes raw-log rows and readings in one transaction.

Raw rows first, then everything that follows from them, derived again from the raw log over each probe's
window (`windows`) and compared with what stands there: rows that differ are replaced, no other is touched.
When `commit` returns, the batch is on disk and may be acknowledged; when it raises, nothing is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, Ints, instants, ints, whole
from loamline.core.deliveries import delivery_columns
from loamline.core.derive import Derived, derive
from loamline.core.identity import CLOCK
from loamline.edges.messages import Accepted, Outcome, Rejected
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.registry import identify, insert, latest_reference, probe_ids, registry
from loamline.edges.store.revisions import merge_pending, pending_probes
from loamline.edges.store.windows import EARLIEST_US, Reach, Windows, windows
from loamline_codecs import CodecSet
from loamline_schemas.columns import Table
from loamline_schemas.tables import READING, REJECTED_MESSAGE, SET_ASIDE, STATUS, UPLINK
from loamline_schemas.verdicts import Verdict


@dataclass
class _Batch:
    """New raw-log rows of one commit, in `seq` order, and the envelope of each."""

    rows: pa.Table
    envelopes: list[bytes] = field(default_factory=list)


class Writer:
    """Commits batches to an open store. One a store; used by one thread."""

    def __init__(self, store: Store, codecs: CodecSet) -> None:
        self._store, self._codecs = store, codecs
        self.reload()

    def reload(self) -> None:
        """Read again what the writer keeps in memory: ids, registry, provenance, the sequence."""
        con = self._store.con
        self._probe_ids = probe_ids(self._store)
        self._registry = registry(self._store, self._probe_ids)
        self._reference = latest_reference(self._store)
        self._seq = self._store.last_seq()
        self.provenances = Provenances(self._store)
        self._pending = set(pending_probes(self._store))
        untimed = con.execute("SELECT DISTINCT probe_id FROM uplink WHERE heard_at_source = ?", [CLOCK]).fetchall()
        self._untimed = {int(number) for (number,) in untimed}

    def commit(self, messages: Sequence[Accepted | Rejected], received_at: datetime | None = None) -> Outcome:
        """Store a batch; return what became of each message. Raises duckdb.Error, and then nothing is stored."""
        now = received_at or datetime.now(UTC)
        accepted = [message for message in messages if isinstance(message, Accepted)]
        rejected = [message for message in messages if isinstance(message, Rejected)]
        outcome = Outcome(read=len(messages), unreadable=len(rejected))
        con = self._store.con
        con.execute("BEGIN")
        try:
            self._keep_rejected(rejected, now)
            if accepted:
                self._keep_accepted(accepted, now, outcome)
            con.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        self._store.write_watermark(self._seq)
        return outcome

    def _roll_back(self) -> None:
        try:
            self._store.con.execute("ROLLBACK")
            self.reload()
        except duckdb.Error:
            return  # the first error is the one to tell: this connection is gone

    def _keep_accepted(self, accepted: list[Accepted], now: datetime, outcome: Outcome) -> None:
        batch = self._new_rows(accepted, now)
        outcome.duplicates += len(accepted) - batch.rows.num_rows
        if batch.rows.num_rows == 0:
            return
        insert(self._store, UPLINK, batch.rows)
        first_seq, self._seq = self._seq + 1, self._seq + batch.rows.num_rows
        derived, deliveries = self._derive(batch.rows)
        self._count_and_set_aside(batch, derived, deliveries, first_seq, outcome)

    # Raw log -----------------------------------------------------------------------------------------

    def _new_rows(self, accepted: list[Accepted], now: datetime) -> _Batch:
        """Return the rows of deliveries that are not in the raw log yet."""
        told = delivery_columns([message.uplink for message in accepted], now)
        self._probe_ids |= identify(self._store, told.column("dev_eui").to_pylist())
        numbers = [self._probe_ids[message.uplink.dev_eui] for message in accepted]
        told = told.append_column("probe_id", pa.array(numbers, pa.int32()))
        fresh = self._unseen(told)
        envelopes = [accepted[row].envelope for row in fresh.tolist()]
        rows = told.take(pa.array(fresh))
        n = rows.num_rows
        columns = {
            **{name: whole(rows, name) for name in rows.column_names},
            "seq": pa.array(np.arange(self._seq + 1, self._seq + 1 + n)),
            "reference_id": pa.array(np.full(n, self._reference), pa.int32()),
            "stored_at": pa.array([now] * n, UPLINK.schema.field("stored_at").type),
        }
        return _Batch(pa.Table.from_arrays([columns[name] for name in UPLINK.names], schema=UPLINK.schema), envelopes)

    def _unseen(self, told: pa.Table) -> Ints:
        """Return the rows of `told` that neither it nor the raw log holds already, ascending."""
        con = self._store.con
        keyed = told.select(["probe_id", "heard_at", "digest"]).append_column("row", pa.array(range(told.num_rows)))
        con.register("_told", keyed)
        found = con.execute(
            """
            WITH once AS (SELECT min("row") AS "row", probe_id, heard_at, digest FROM _told GROUP BY ALL)
            SELECT "row" FROM once WHERE NOT EXISTS (
                SELECT 1 FROM uplink
                WHERE uplink.probe_id = once.probe_id AND uplink.heard_at = once.heard_at
                  AND uplink.digest = once.digest
                  AND uplink.heard_at BETWEEN (SELECT min(heard_at) FROM _told) AND (SELECT max(heard_at) FROM _told)
            ) ORDER BY "row"
            """
        ).fetchall()
        con.unregister("_told")
        return np.array([row for (row,) in found], dtype=np.int64)

    def _keep_rejected(self, rejected: list[Rejected], now: datetime) -> None:
        rows = [
            {
                "stored_at": now,
                "source": message.source,
                "detail": message.detail,
                "content": message.content,
                "digest": int.from_bytes(hashlib.blake2b(message.content, digest_size=8).digest()),
            }
            for message in rejected
        ]
        known: set[int] = set()
        if rows:
            held = self._store.con.execute("SELECT digest FROM rejected_message").fetchall()
            known = {int(digest) for (digest,) in held}
        fresh = list({row["digest"]: row for row in rows if row["digest"] not in known}.values())
        insert(self._store, REJECTED_MESSAGE, pa.Table.from_pylist(fresh, schema=REJECTED_MESSAGE.schema))

    # Readings ----------------------------------------------------------------------------------------

    def _derive(self, rows: pa.Table) -> tuple[Derived, pa.Table]:
        """Derive what the new rows can change, write the difference, return it with the deliveries it came from."""
        probe = ints(whole(rows, "probe_id"))
        by_clock = ints(whole(rows, "heard_at_source")) == CLOCK
        self._untimed |= set(probe[by_clock].tolist())
        reach = Reach.of(self._limits_in_force(), self._codecs.longest_age_minutes)
        window = windows(probe, instants(whole(rows, "heard_at")), reach)
        # Deliveries without a time merge over any distance: such a probe's history is one window.
        window = window.widened(np.array(sorted(self._untimed), dtype=np.int64))
        deliveries, derived = self._derive_window(window, {})
        open_ended = self._open_ended(derived, window, probe, instants(whole(rows, "heard_at")))
        if len(open_ended):
            window = window.widened(open_ended)
            deliveries, derived = self._derive_window(window, {})
        seeds = self._frost_seeds(derived, window)
        if seeds:
            derived = derive(deliveries, self._codecs, self._registry, seeds)
        self._replace(derived, window)
        return derived, deliveries

    def _limits_in_force(self) -> list[Any]:
        _ = self._registry.states[self._reference]  # compiling it fills the catalogue
        return self._registry.catalogue.limits.rows

    def _derive_window(self, window: Windows, seeds: dict[tuple[int, int], bool]) -> tuple[pa.Table, Derived]:
        con = self._store.con
        con.register("_window", window.table())
        deliveries = con.sql(
            """
            SELECT uplink.* FROM uplink JOIN _window USING (probe_id)
            WHERE heard_at BETWEEN context_from AND heard_to
              AND heard_at BETWEEN (SELECT min(context_from) FROM _window) AND (SELECT max(heard_to) FROM _window)
            """
        ).to_arrow_table()
        con.unregister("_window")
        return deliveries, derive(deliveries, self._codecs, self._registry, seeds)

    def _open_ended(self, derived: Derived, window: Windows, probe: Ints, heard_at_us: Ints) -> Ints:
        """Return the probes whose window does not settle what lies in it, ascending.

        Samples so dense that they hang together past an end of the context; or later readings whose frost
        state nothing after the new samples settles.
        """
        own = ints(whole(derived.readings, "probe_id"))
        at = instants(whole(derived.readings, "measured_at"))
        index = np.searchsorted(window.probe_id, own)
        dirty = window.dirty(own, at)
        slack = (window.dirty_from - window.context_from)[index] // 2
        first, last = derived.span_us
        chained = (first <= window.dirty_from[index] - slack) | (last >= window.dirty_to[index] + slack)
        newest = np.full(len(window.probe_id), np.iinfo(np.int64).min)
        np.maximum.at(newest, np.searchsorted(window.probe_id, probe), heard_at_us)
        later = at > newest[index]
        series = own * 256 + ints(whole(derived.readings, "depth_index"))
        unsettled = np.setdiff1d(series[later & dirty], series[later & dirty & derived.frost_decided]) // 256
        bounded = window.probe_id[window.context_from > EARLIEST_US]
        return np.intersect1d(np.union1d(own[dirty & chained], unsettled), bounded)

    def _frost_seeds(self, derived: Derived, window: Windows) -> dict[tuple[int, int], bool]:
        """Return which series were frozen before their window, where something in it hangs on that."""
        own = ints(whole(derived.readings, "probe_id"))
        depth = ints(whole(derived.readings, "depth_index"))
        hangs = derived.frost_carried & window.dirty(own, instants(whole(derived.readings, "measured_at")))
        seeds = {}
        for key in np.unique(own[hangs] * 256 + depth[hangs]).tolist():
            probe_id, depth_index = divmod(key, 256)
            start = int(window.context_from[np.searchsorted(window.probe_id, probe_id)])
            flag = self._store.scalar(
                "SELECT arg_max(frost_flag, measured_at) FROM reading WHERE probe_id = ? AND depth_index = ? "
                "AND frost_flag <> ? AND measured_at < make_timestamptz(?)",
                [probe_id, depth_index, int(Verdict.MISSING), start],
            )
            if flag == Verdict.FAIL:
                seeds[probe_id, depth_index] = True
        return seeds

    def _replace(self, derived: Derived, window: Windows) -> None:
        """Make the dirty spans of `reading` and `status` equal to what was derived."""
        self._merge_pending(window)
        readings = self.provenances.numbered(derived)
        dirty = window.dirty(ints(whole(readings, "probe_id")), instants(whole(readings, "measured_at")))
        readings = readings.filter(pa.array(dirty))
        statuses = derived.statuses
        dirty = window.dirty(ints(whole(statuses, "probe_id")), instants(whole(statuses, "heard_at")))
        self._store.con.register("_window", window.table())
        self._swap(READING, "measured_at", ("probe_id", "depth_index", "measured_at"), readings)
        self._swap(STATUS, "heard_at", ("probe_id", "heard_at", "fcnt"), statuses.filter(pa.array(dirty)))
        self._store.con.unregister("_window")

    def _swap(self, table: Table, at: str, key: tuple[str, ...], fresh: pa.Table) -> None:
        con = self._store.con
        con.register("_fresh", fresh)
        held = (
            f'SELECT t.* FROM "{table.name}" t JOIN _window USING (probe_id) '  # noqa: S608 - our own names
            f"WHERE t.{at} BETWEEN dirty_from AND dirty_to AND t.{at} BETWEEN "
            "(SELECT min(dirty_from) FROM _window) AND (SELECT max(dirty_to) FROM _window)"
        )
        added = con.sql(f"SELECT * FROM _fresh EXCEPT {held}").to_arrow_table()  # noqa: S608 - our own names
        same = " AND ".join(f"t.{name} = gone.{name}" for name in key)
        con.execute(
            f'DELETE FROM "{table.name}" t USING ({held} EXCEPT SELECT * FROM _fresh) gone WHERE {same}'  # noqa: S608
        )
        con.unregister("_fresh")
        insert(self._store, table, added.sort_by([(name, "ascending") for name in key]))

    def _merge_pending(self, window: Windows) -> None:
        """Merge what a revision published of these probes first, so that there is one place to compare with."""
        pending = self._pending & set(window.probe_id.tolist())
        if pending:
            merge_pending(self._store, pending)
            self._pending -= pending

    # Counting ----------------------------------------------------------------------------------------

    def _count_and_set_aside(
        self, batch: _Batch, derived: Derived, deliveries: pa.Table, first_seq: int, outcome: Outcome
    ) -> None:
        seq = ints(whole(deliveries, "seq"))
        uplink_of = derived.uplinks.uplink_of
        fresh: Bools = seq >= first_seq
        # An uplink is new if every delivery of it is.
        known = np.zeros(len(derived.uplinks.first), dtype=bool)
        known[uplink_of[~fresh]] = True
        new_uplinks = np.setdiff1d(np.unique(uplink_of[fresh]), np.flatnonzero(known))
        refused = np.array(sorted(derived.refusals), dtype=np.int64)
        outcome.set_aside += len(np.intersect1d(new_uplinks, refused))
        outcome.accepted += len(np.setdiff1d(new_uplinks, refused))
        outcome.duplicates += int(fresh.sum()) - len(new_uplinks)
        rows = np.flatnonzero(fresh & np.isin(uplink_of, refused))
        probe, heard = whole(deliveries, "probe_id"), whole(deliveries, "heard_at")
        aside = []
        for row in rows[np.argsort(seq[rows])].tolist():
            refusal = derived.refusals[int(uplink_of[row])]
            aside.append(
                {
                    "seq": int(seq[row]),
                    "probe_id": probe[row],
                    "heard_at": heard[row],
                    "codec": refusal.codec,
                    "reason": refusal.reason,
                    "detail": refusal.detail,
                    "envelope": batch.envelopes[int(seq[row]) - first_seq],
                }
            )
        insert(self._store, SET_ASIDE, pa.Table.from_pylist(aside, schema=SET_ASIDE.schema))
