"""Replay: readings recomputed from the raw log under the registry state in force, as a revision that can be taken back.

All work is cut into steps of some thousand deliveries, each a transaction of its own; whoever drives them may
commit live messages in between. Nothing is seen of a revision until `publish`, and nothing of it is half seen after.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Literal

import pyarrow as pa

from loamline.core.derive import Derived, derive
from loamline.core.provenance import Registry
from loamline.core.revisions import Revisions
from loamline.edges.ahead import Ahead
from loamline.edges.store import revisions as rows
from loamline.edges.store import staging
from loamline.edges.store.connection import Store
from loamline.edges.store.probe_stream import ProbeStream
from loamline.edges.store.read_again import Settled, resettled, settle, write_settled
from loamline.edges.store.stale import chunks
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet

#: Deliveries that one step derives, unless a single probe has more: some 50 ms of work.
CHUNK = 5_000
#: Where nobody commits in between, steps may be as long as suits memory.
CHUNK_ALONE = 60_000
#: Chunks from which on it pays to have log and readings sorted once.
_WORTH_A_STREAM = 4
#: How long a step waits for the next chunk.
_LOOKED_UP_S = 0.02
#: Where live messages come almost as quickly as probes are staged again, steps grow, or it would never end: twofold
#: after a round that left more than this share of the probes before it.
_SLOW = 0.8


@dataclass(frozen=True)
class Progress:
    """How far a replay is: `done` of `total` in this part of it, readings while planning and probes after."""

    part: Literal["planning", "staging", "merging"]
    done: int
    total: int


@dataclass(frozen=True)
class Block:
    """Some probes, their whole raw log, and their readings as they stand in `reading`."""

    probes: list[int]
    deliveries: pa.Table
    standing: pa.Table


#: Derives blocks, in their order: each with what it says. It is used by a thread of its own.
Deriver = Callable[[Iterator[Block], CodecSet, Registry], Iterator[tuple[Block, Derived]]]


def derive_here(blocks: Iterator[Block], codecs: CodecSet, known: Registry) -> Iterator[tuple[Block, Derived]]:
    """Yield each block with what it says, derived by whoever asks for it."""
    for block in blocks:
        yield block, derive(block.deliveries, codecs, known)


class Replay:
    """The steps of one revision, staged, published and merged; `writer` is the one that commits in between, if any."""

    def __init__(
        self,
        store: Store,
        codecs: CodecSet,
        writer: Writer | None = None,
        chunk: int | None = None,
        deriver: Deriver = derive_here,
    ) -> None:
        self._store, self._codecs, self._deriver = store, codecs, deriver
        self._chunk = chunk or (CHUNK_ALONE if writer is None else CHUNK)
        self._writer = writer or Writer(store, codecs)
        self._settled: dict[int, Settled] = {}
        self._changed: dict[int, int] = {}

    def finish(self, revision_id: int) -> Iterator[Progress]:
        """Do what is left of a revision, step by step: stage, publish, merge.

        Between two steps the writer may commit, on this thread. With the first progress of merging the revision is
        published, and the writer derives by it.
        """
        (row,) = [row for row in rows.revision_rows(self._store) if row.revision_id == revision_id]
        if row.step in ("preparing", "withdrawing"):
            yield from self._stage(row)
            with self._store.transaction():
                rows.publish(self._store, revision_id, datetime.now(UTC), sum(self._changed.values()))
                write_settled(self._store, self._settled)
            self._writer.revised()
        yield from self._merge()
        self._writer.revised()

    def _stage(self, row: rows.RevisionRow) -> Iterator[Progress]:
        """Stage every probe, and those heard meanwhile again; when it returns, nothing is left to stage."""
        withdrawing = row.step == "withdrawing"
        number = row.revision_id
        revised = rows.revisions(self._store, but=number if withdrawing else None, also=None if withdrawing else number)
        total = int(self._store.scalar("SELECT count(*) FROM revision_span WHERE revision_id = ?", [number]))
        # What an earlier process found out about uplinks set aside is not kept: those probes come again.
        rows.forget_staged(self._store, number, resettled(self._store, self._codecs))
        for chunk in chunks(delivery_counts(self._store, staging.staged(self._store, number)), self._chunk):
            yield Progress("staging", len(self._changed), total)
            self._changed |= staging.changed_of(self._store, chunk)
        yield from self._stage_first(number, staging.unstaged(self._store, number).tolist(), revised, total)
        most, before = self._chunk, total * 2
        while len(left := staging.unstaged(self._store, number)):
            # Probes that were heard meanwhile come round again; what is left then is little, or the steps grow.
            if len(left) > _SLOW * before:
                most *= 2
            before = len(left)
            done = total - len(left)
            for chunk in chunks(delivery_counts(self._store, left.tolist()), most):
                if done > total - len(left):
                    yield Progress("staging", done, total)
                self._stage_chunk(number, chunk, revised)
                done += len(chunk)
            # Looked at with no commit in between: with nothing left, this step publishes.
            if not len(staging.unstaged(self._store, number)):
                return
            yield Progress("staging", done, total)

    def _stage_first(self, number: int, left: list[int], revised: Revisions, total: int) -> Iterator[Progress]:
        """Stage what stands as of now: log and readings are read once, and derived by a thread of their own."""
        counts = delivery_counts(self._store, left)
        work = list(chunks(counts, self._chunk))
        if not work or (len(work) < _WORTH_A_STREAM and self._deriver is derive_here):
            return
        # Nothing is committed while this step lasts, so that both streams and the number tell of the same instant.
        seq, known = self._store.last_seq(), self._known(revised)
        log = ProbeStream(self._store, self._store.raw_log(probes=left), left)
        held = ProbeStream(self._store, "reading", left)
        ahead = Ahead(self._deriver(_blocks(work, log, held), self._codecs, known))
        done = total - len(left)
        try:
            while not ahead.ended:
                for block, derived in ahead.take(_LOOKED_UP_S):
                    self._settle_chunk(number, block, derived, seq)
                    done += len(block.probes)
                yield Progress("staging", done, total)
        finally:
            ahead.close()
            log.close()
            held.close()

    def _known(self, revised: Revisions) -> Registry:
        """Return the registry with every state compiled that anything stored can name, for a thread that reads it."""
        registry = self._writer.registry
        named = f"SELECT DISTINCT reference_id FROM {self._store.raw_log()} UNION SELECT reference_id FROM revision"  # noqa: S608
        numbers = [number for (number,) in self._store.con.execute(named).fetchall()]
        return replace(registry, states={number: registry.states[number] for number in numbers}, revisions=revised)

    def _stage_chunk(self, number: int, chunk: list[int], revised: Revisions) -> None:
        seq = self._store.last_seq()
        deliveries = deliveries_of(self._store, chunk)
        # A registry that was loaded meanwhile is known too.
        derived = derive(deliveries, self._codecs, replace(self._writer.registry, revisions=revised))
        block = Block(chunk, deliveries, staging.standing(self._store, chunk))
        self._settle_chunk(number, block, derived, seq)

    def _settle_chunk(self, number: int, block: Block, derived: Derived, seq: int) -> None:
        coming = self._writer.provenances.numbered(derived)
        self._changed |= staging.stage(self._store, number, block.probes, block.standing, coming, seq)
        for probe_id in block.probes:
            self._settled.pop(probe_id, None)
        self._settled |= settle(self._store, block.probes, block.deliveries, derived)

    def _merge(self) -> Iterator[Progress]:
        left = rows.pending_probes(self._store)
        total = len(left)
        yield Progress("merging", 0, total)
        staged = dict(self._store.con.execute("SELECT probe_id, count(*) FROM reading_staged GROUP BY ALL").fetchall())
        for chunk in chunks([(probe, staged.get(probe, 0)) for probe in left], self._chunk):
            # Those of them that a live commit merged by the way are merged.
            pending = sorted(set(chunk) & set(rows.pending_probes(self._store)))
            with self._store.transaction():
                rows.merge_pending(self._store, pending)
            left = left[len(chunk) :]
            yield Progress("merging", total - len(left), total)


def _blocks(work: list[list[int]], log: ProbeStream, held: ProbeStream) -> Iterator[Block]:
    for probes in work:
        yield Block(probes, log.until(probes[-1]), held.until(probes[-1]))


def deliveries_of(store: Store, probes: Sequence[int], stored_by: datetime | None = None) -> pa.Table:
    """Return the whole raw log of some probes, or what was stored by an instant."""
    store.con.register("_of", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    found = store.con.sql(
        f"SELECT log.* FROM {store.raw_log(probes=probes)} log JOIN _of USING (probe_id) "  # noqa: S608 - our own names
        "WHERE ? IS NULL OR stored_at <= ?",
        params=[stored_by, stored_by],
    ).to_arrow_table()
    store.con.unregister("_of")
    return found


def delivery_counts(store: Store, probes: Sequence[int]) -> list[tuple[int, int]]:
    """Return how many deliveries each of `probes` has, those without any included."""
    counts = dict(store.con.execute(f"SELECT probe_id, count(*) FROM {store.raw_log()} GROUP BY ALL").fetchall())  # noqa: S608
    return [(number, counts.get(number, 0)) for number in probes]
