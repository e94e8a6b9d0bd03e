"""Replay: readings recomputed from the raw log under the registry state in force, as a revision that can be taken back.

All work is cut into steps of some ten thousand deliveries, each a transaction of its own; whoever drives them may
commit live messages in between. Nothing is seen of a revision until `publish`, and nothing of it is half seen after.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Literal

import pyarrow as pa

from loamline.core.derive import derive
from loamline.edges.store import revisions as rows
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.registry import insert, probe_ids, registry
from loamline.edges.store.stale import chunks
from loamline_codecs import CodecSet
from loamline_schemas.tables import STATUS

#: Deliveries that one step derives, unless a single probe has more: some 50 ms of work.
CHUNK = 10_000


@dataclass(frozen=True)
class Progress:
    """How far a replay is: `done` of `total` probes in this part of it."""

    part: Literal["staging", "merging"]
    done: int
    total: int


class Replay:
    """The steps of one revision, staged, published and merged; `provenances` is the writer's where one runs."""

    def __init__(
        self, store: Store, codecs: CodecSet, provenances: Provenances | None = None, chunk: int = CHUNK
    ) -> None:
        self._store, self._codecs, self._chunk = store, codecs, chunk
        self._provenances = provenances or Provenances(store)

    def finish(self, revision_id: int) -> Iterator[Progress]:
        """Do what is left of a revision, step by step: stage, publish, merge.

        Between two steps the store may be written by others, on this thread.
        """
        (row,) = [row for row in rows.revision_rows(self._store) if row.revision_id == revision_id]
        if row.step in ("preparing", "withdrawing"):
            yield from self._stage(row)
            rows.publish(self._store, revision_id, datetime.now(UTC))
            self._settle_set_aside(revision_id)
        yield from self._merge()

    def _stage(self, row: rows.RevisionRow) -> Iterator[Progress]:
        withdrawing = row.step == "withdrawing"
        number = row.revision_id
        revised = rows.revisions(self._store, but=number if withdrawing else None, also=None if withdrawing else number)
        known = registry(self._store, probe_ids(self._store), revised)
        total = int(self._store.scalar("SELECT count(*) FROM revision_span WHERE revision_id = ?", [number]))
        while len(left := rows.unstaged(self._store, number)):
            # Probes that were heard meanwhile come round again; what is left then is little.
            for chunk in chunks(_deliveries_of(self._store, left.tolist()), self._chunk):
                yield Progress("staging", total - len(left), total)
                seq = self._store.last_seq()
                derived = derive(deliveries_of(self._store, chunk), self._codecs, known)
                coming = self._provenances.numbered(derived)
                rows.stage(self._store, number, chunk, coming, seq)
                left = left[len(chunk) :]

    def _merge(self) -> Iterator[Progress]:
        left = rows.pending_probes(self._store)
        total = len(left)
        staged = dict(self._store.con.execute("SELECT probe_id, count(*) FROM reading_staged GROUP BY ALL").fetchall())
        for chunk in chunks([(probe, staged.get(probe, 0)) for probe in left], self._chunk):
            yield Progress("merging", total - len(left), total)
            # Those of them that a live commit merged by the way are merged.
            pending = sorted(set(chunk) & set(rows.pending_probes(self._store)))
            self._in_transaction(partial(rows.merge_pending, self._store, pending))
            left = left[len(chunk) :]

    def _settle_set_aside(self, revision_id: int) -> None:
        """Take out of `set_aside` what is read by now, and add the statuses among it."""
        found = self._store.con.execute(
            "SELECT DISTINCT probe_id FROM set_aside SEMI JOIN revision_span s "
            "ON s.probe_id = set_aside.probe_id AND s.revision_id = ?",
            [revision_id],
        ).fetchall()
        probes = [int(number) for (number,) in found]
        if probes:
            self._in_transaction(lambda: self._replace_set_aside(probes))

    def _replace_set_aside(self, probes: list[int]) -> None:
        deliveries = deliveries_of(self._store, probes)
        derived = derive(deliveries, self._codecs, registry(self._store, probe_ids(self._store)))
        refused = [
            seq
            for seq, uplink in zip(
                deliveries.column("seq").to_pylist(), derived.uplinks.uplink_of.tolist(), strict=True
            )
            if uplink in derived.refusals
        ]
        con = self._store.con
        con.register("_refused", pa.table({"seq": pa.array(refused, pa.int64())}))
        con.register("_probes", pa.table({"probe_id": pa.array(probes, pa.int32())}))
        con.execute(
            "DELETE FROM set_aside WHERE probe_id IN (SELECT probe_id FROM _probes) "
            "AND seq NOT IN (SELECT seq FROM _refused)"
        )
        con.execute("DELETE FROM status WHERE probe_id IN (SELECT probe_id FROM _probes)")
        con.unregister("_refused")
        con.unregister("_probes")
        insert(self._store, STATUS, derived.statuses)

    def _in_transaction(self, work: Callable[[], None]) -> None:
        con = self._store.con
        con.execute("BEGIN")
        try:
            work()
            con.execute("COMMIT")
        except BaseException:
            con.execute("ROLLBACK")
            raise


def deliveries_of(store: Store, probes: Sequence[int]) -> pa.Table:
    """Return the whole raw log of some probes."""
    store.con.register("_of", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    found = store.con.sql("SELECT uplink.* FROM uplink JOIN _of USING (probe_id)").to_arrow_table()
    store.con.unregister("_of")
    return found


def _deliveries_of(store: Store, probes: Sequence[int]) -> list[tuple[int, int]]:
    """Return how many deliveries each of `probes` has, those without any included."""
    counts = dict(store.con.execute("SELECT probe_id, count(*) FROM uplink GROUP BY ALL").fetchall())
    return [(number, counts.get(number, 0)) for number in probes]
