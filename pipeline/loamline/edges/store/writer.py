"""The one writer: a batch of messages becomes raw-log rows and readings in one transaction.

Raw rows first, then everything that follows from them, derived again from the raw log over each probe's
window (`windows`) and compared with what stands there: rows that differ are replaced, no other is touched.
When `commit` returns, the batch is on disk and may be acknowledged; when it raises, nothing is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import duckdb
import numpy as np
import pyarrow as pa

from loamline.core.columns import MINUTE_US, Bools, Ints, instants, ints, whole
from loamline.core.deliveries import delivery_columns
from loamline.core.derive import Derived, derive
from loamline.core.identity import CLOCK
from loamline.core.provenance import Registry
from loamline.edges.messages import Accepted, Fate, Outcome, Rejected
from loamline.edges.store import rejected as rejected_messages
from loamline.edges.store.connection import Store
from loamline.edges.store.feed_due import note_changes
from loamline.edges.store.frost_state import carried_on, states_before, told_otherwise
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.raw_log import deliveries_in, of_the_same_uplinks, unseen
from loamline.edges.store.reach import reach_of
from loamline.edges.store.registry import identify, insert, latest_reference, probe_ids, registry
from loamline.edges.store.revisions import merge_pending, pending_probes, revisions
from loamline.edges.store.rows_apart import in_order, rows_apart
from loamline.edges.store.tail import KEYS, Tail, dirty_outlines, outline
from loamline.edges.store.tail_keeping import TailKeeping
from loamline.edges.store.what_became import refused_rows, tell_fates
from loamline.edges.store.window_ends import too_short
from loamline.edges.store.windows import Windows, windows
from loamline_codecs import CodecSet
from loamline_schemas.columns import Table
from loamline_schemas.tables import READING, SET_ASIDE, STATUS, UPLINK


@dataclass
class _Batch:
    """New raw-log rows of one commit, in `seq` order, the envelope of each, and what became of each."""

    rows: pa.Table
    envelopes: list[bytes]
    fates: list[Fate]


class Writer:
    """Commits batches to an open store. One a store; used by one thread."""

    def __init__(self, store: Store, codecs: CodecSet) -> None:
        self._store, self._codecs = store, codecs
        self._keeping = TailKeeping(store)
        self._tail: Tail | None = None
        self.provenances = Provenances(store)
        #: Raw-log rows that the last commit derived again: the work of a commit, whatever the machine.
        self.rows_read = 0
        #: What became of each message of the last commit, in the order of the messages.
        self.fates: list[Fate] = []
        self.reload()

    def reload(self) -> None:
        """Read again what the writer keeps in memory: ids, registry, provenance, the sequence."""
        con = self._store.con
        self._probe_ids = probe_ids(self._store)
        self._registry = registry(self._store, self._probe_ids)
        self._reference = latest_reference(self._store)
        _ = self._registry.states[self._reference]  # compiling it fills the catalogue, which is never empty then
        self._seq = self._store.last_seq()
        self.provenances.reload()
        self._keeping.drop()
        self._pending = set(pending_probes(self._store))
        self._reach = reach_of(self._store, self._codecs)
        log = self._store.raw_log()
        untimed = con.execute(f"SELECT DISTINCT probe_id FROM {log} WHERE heard_at_source = ?", [CLOCK]).fetchall()  # noqa: S608
        self._untimed = {int(number) for (number,) in untimed}

    def warm_up(self) -> None:
        """Read the newest days into memory now, which otherwise the first commit does."""
        if not self._pending:
            self._keeping.begin(self._reach)

    @property
    def registry(self) -> Registry:
        """Every registry state, compiled at most once, and the revisions in force."""
        return self._registry

    def registered(self) -> None:
        """Take up a registry state that was loaded; the earlier ones stay as they are, compiled."""
        self._probe_ids |= probe_ids(self._store)
        self._reference = latest_reference(self._store)
        _ = self._registry.states[self._reference]
        self._look_again()

    def use_codecs(self, codecs: CodecSet) -> None:
        """Read what comes from now on by other codecs; what is stored keeps its figures until it is derived again."""
        self._codecs = codecs
        self._look_again()

    def _look_again(self) -> None:
        before, self._reach = self._reach, reach_of(self._store, self._codecs)
        if self._reach != before:
            self._keeping.drop()

    def revised(self) -> None:
        """Take up which revisions are in force and what of them is to be merged; all else stands, as it is costly."""
        self._registry = replace(self._registry, revisions=revisions(self._store))
        self._pending = set(pending_probes(self._store))

    def commit(
        self,
        messages: Sequence[Accepted | Rejected],
        received_at: datetime | None = None,
        *,
        stored_at: datetime | None = None,
        read_after_all: Sequence[int] = (),
    ) -> Outcome:
        """Store a batch; return what became of each message. Raises duckdb.Error, and then nothing is stored.

        `received_at` stands in where a message carries no time; it is now, and `stored_at` the same, unless told.
        `read_after_all`: digests of rejected messages that these were in; they go in the same transaction.
        """
        now = received_at or datetime.now(UTC)
        accepted = [message for message in messages if isinstance(message, Accepted)]
        rejected = [message for message in messages if isinstance(message, Rejected)]
        con = self._store.con
        self.rows_read = 0
        fates: list[Fate] = []
        con.execute("BEGIN")
        try:
            rejected_messages.remove(self._store, read_after_all)
            rejected_messages.keep(self._store, rejected, now)
            if accepted:
                fates = self._keep_accepted(accepted, now, stored_at or now)
            con.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        self._store.write_watermark(self._seq, self._store.rejected_ever() if rejected else None)
        of_accepted = iter(fates)
        self.fates = ["unreadable" if isinstance(told, Rejected) else next(of_accepted) for told in messages]
        return Outcome.of(self.fates)

    def _roll_back(self) -> None:
        try:
            self._store.con.execute("ROLLBACK")
            self.reload()
        except duckdb.Error:
            return  # the first error is the one to tell: this connection is gone

    def _keep_accepted(self, accepted: list[Accepted], received_at: datetime, stored_at: datetime) -> list[Fate]:
        batch, fresh = self._new_rows(accepted, received_at, stored_at)
        fates: list[Fate] = ["duplicates"] * len(accepted)
        if not fresh:
            return fates
        insert(self._store, UPLINK, batch.rows)
        if self._tail:
            self._tail.stored(batch.rows)
        first_seq, self._seq = self._seq + 1, self._seq + batch.rows.num_rows
        self._derive(batch, first_seq)
        for row, fate in zip(fresh, batch.fates, strict=True):
            fates[row] = fate
        return fates

    # Raw log -----------------------------------------------------------------------------------------

    def _new_rows(
        self, accepted: list[Accepted], received_at: datetime, stored_at: datetime
    ) -> tuple[_Batch, list[int]]:
        """Return the rows of deliveries that are not in the raw log yet, and which of `accepted` these are."""
        told = delivery_columns([message.uplink for message in accepted], received_at)
        self._probe_ids |= identify(self._store, told.column("dev_eui").to_pylist(), self._probe_ids)
        numbers = [self._probe_ids[message.uplink.dev_eui] for message in accepted]
        told = told.append_column("probe_id", pa.array(numbers, pa.int32()))
        heard_us = instants(whole(told, "heard_at"))
        # While a revision is being merged, what is stored changes with every step of it.
        self._tail = None if self._pending else self._keeping.at(heard_us, self._reach)
        fresh: list[int] = unseen(self._store, told, self._tail).tolist()
        envelopes = [accepted[row].envelope for row in fresh]
        rows = told.take(pa.array(fresh, pa.int64()))
        n = rows.num_rows
        columns = {
            **{name: whole(rows, name) for name in rows.column_names},
            "seq": pa.array(np.arange(self._seq + 1, self._seq + 1 + n)),
            "reference_id": pa.array(np.full(n, self._reference), pa.int32()),
            "stored_at": pa.array([stored_at] * n, UPLINK.schema.field("stored_at").type),
        }
        table = pa.Table.from_arrays([columns[name] for name in UPLINK.names], schema=UPLINK.schema)
        return _Batch(table, envelopes, ["duplicates"] * n), fresh

    # Readings ----------------------------------------------------------------------------------------

    def _derive(self, batch: _Batch, first_seq: int) -> None:
        """Derive what the new rows can change, write the difference, and tell what became of them.

        Where a probe's window does not settle what lies in it, that probe comes round again with a wider one.
        """
        reached = self._reached_by(batch.rows)
        window = windows(*reached, self._reach)
        self._merge_pending(window)
        while len(window.probe_id):
            derived, deliveries, fresh, before, after = self._derive_window(window, first_seq)
            settled = ~(before | after)
            told = window.of(settled)
            if len(told.probe_id):
                self._replace(derived, told)
            fresh &= told.index(ints(whole(deliveries, "probe_id"))) >= 0
            tell_fates(batch.fates, derived, deliveries, fresh, first_seq)
            insert(self._store, SET_ASIDE, refused_rows(batch.envelopes, derived, deliveries, fresh, first_seq))
            window = window.widened(before, after).of(~settled)

    def _reached_by(self, rows: pa.Table) -> tuple[Ints, Ints, Ints]:
        """Return where the samples stand of all that the new rows touch: themselves, and what they join anywhere.

        That is the probe of each, the instant it was heard, and the age of the oldest sample in it, in microseconds.
        """
        probe = ints(whole(rows, "probe_id"))
        self._untimed |= set(probe[ints(whole(rows, "heard_at_source")) == CLOCK].tolist())
        loose = np.isin(probe, self._untimed_probes())
        if loose.any():
            rows = pa.concat_tables(
                [rows, of_the_same_uplinks(self._store, rows.filter(pa.array(loose))).cast(rows.schema)]
            )
        fport = ints(whole(rows, "fport")).astype(np.uint8)
        age_minutes = self._codecs.decode(fport, whole(rows, "payload")).oldest_age_minutes
        return ints(whole(rows, "probe_id")), instants(whole(rows, "heard_at")), age_minutes * MINUTE_US

    def _untimed_probes(self) -> Ints:
        return np.array(sorted(self._untimed), dtype=np.int64)

    def _derive_window(self, window: Windows, first_seq: int) -> tuple[Derived, pa.Table, Bools, Bools, Bools]:
        """Return what the windows say, from which deliveries, which of these are new, and which windows fall short."""
        untimed = self._untimed_probes()
        deliveries = deliveries_in(self._store, window, untimed, self._tail)
        self.rows_read += deliveries.num_rows
        fresh: Bools = ints(whole(deliveries, "seq")) >= first_seq
        derived = derive(deliveries, self._codecs, self._registry)
        frozen = states_before(self._store, derived, window)
        if any(frozen.values()):
            derived = derive(deliveries, self._codecs, self._registry, frozen)
        before, after = too_short(derived, deliveries, fresh, window, np.isin(window.probe_id, untimed))
        before |= told_otherwise(derived, window, frozen)
        after |= carried_on(self._store, derived, window, self._tail)
        return derived, deliveries, fresh, before, after

    def _replace(self, derived: Derived, window: Windows) -> None:
        """Make the dirty spans of `reading` and `status` equal to what was derived."""
        readings = self.provenances.numbered(derived)
        dirty = window.dirty(ints(whole(readings, "probe_id")), instants(whole(readings, "measured_at")))
        readings = readings.filter(pa.array(dirty))
        statuses = derived.statuses
        dirty = window.dirty(ints(whole(statuses, "probe_id")), instants(whole(statuses, "heard_at")))
        self._swap(READING, window, readings)
        self._swap(STATUS, window, statuses.filter(pa.array(dirty)))

    def _swap(self, table: Table, window: Windows, fresh: pa.Table) -> None:
        """Make the dirty spans of one table hold the rows `fresh`; no other row, and none that is right, is touched."""
        con, key = self._store.con, KEYS[table.name]
        held = in_order(dirty_outlines(self._store, table, window, self._tail), key)
        if not held.num_rows and not fresh.num_rows:
            return
        told = outline(table, fresh).append_column("row", pa.array(np.arange(fresh.num_rows)))
        told = in_order(told, key)
        compared = [*key, "content"]
        which_gone, which_added = rows_apart(held.select(compared), told.select(compared), key).changed
        gone, added = held.take(pa.array(which_gone)), told.take(pa.array(which_added))
        rows = fresh.take(whole(added, "row"))
        if table is READING:
            note_changes(self._store, gone, rows)
        if gone.num_rows:
            con.register("_gone", gone.select(list(key)))
            same = " AND ".join(f"t.{name} = _gone.{name}" for name in key)
            con.execute(f'DELETE FROM "{table.name}" t USING _gone WHERE {same}')  # noqa: S608 - our own names
            con.unregister("_gone")
        insert(self._store, table, rows)
        if self._tail:
            self._tail.swapped(table, gone, added.drop_columns(["row"]))

    def _merge_pending(self, window: Windows) -> None:
        """Merge first what a revision published of these probes: one place to compare with, and to seed from."""
        pending = self._pending & set(window.probe_id.tolist())
        if pending:
            merge_pending(self._store, pending)
            self._tail = None
            self._pending -= pending
