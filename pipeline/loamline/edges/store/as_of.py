"""The readings as they were to be seen at an earlier instant, derived again from what was known by then.

That is: the raw log's rows stored by then, under the registry states that they name and the revisions in force then.
Codecs and the chain's own rules are today's, since earlier ones are not kept: after either changed, this is what they
would have given. Probes go through in chunks, in the order of the export, so that memory does not grow with the fleet.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import pyarrow as pa

from loamline.core.derive import derive
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import with_content
from loamline.edges.store.readings import SCHEMA, Selection, readings_of
from loamline.edges.store.registry import probe_ids, registry
from loamline.edges.store.replay import deliveries_of, delivery_counts
from loamline.edges.store.revisions import revision_rows, revisions
from loamline.edges.store.stale import chunks
from loamline_codecs import CodecSet
from loamline_schemas.tables import PROVENANCE, READING

#: Deliveries that are derived in one go, unless a single probe has more.
BLOCK = 100_000


class UnknownRevisionError(Exception):
    """A revision that has no instant to look from; the message says what was expected, what came and what to do."""


def instant_of(store: Store, revision: int) -> datetime:
    """Return the instant at which a revision had just been published; of 0, just before the first one was.

    Raises UnknownRevisionError where there is none such.
    """
    published = {row.revision_id: row.published_at for row in revision_rows(store) if row.published_at is not None}
    if not published:
        raise UnknownRevisionError("expected a revision that was applied, found none; export without --as-of")
    if revision == 0:
        return min(published.values()) - timedelta(microseconds=1)
    if revision not in published:
        known = ", ".join(str(number) for number in published)
        raise UnknownRevisionError(f"expected a revision that was applied ({known}), or 0 for none, got {revision}")
    return published[revision]


def readings_as_of(
    store: Store, codecs: CodecSet, selection: Selection, as_of: datetime, block: int = BLOCK
) -> pa.RecordBatchReader:
    """Return the readings of `selection` as of an instant, in the order and columns of `readings.readings`."""
    return pa.RecordBatchReader.from_batches(SCHEMA, _batches(store, codecs, selection, as_of, block))


def _batches(
    store: Store, codecs: CodecSet, selection: Selection, as_of: datetime, block: int
) -> Iterator[pa.RecordBatch]:
    numbers = probe_ids(store)
    wanted = sorted(numbers if selection.dev_euis is None else selection.dev_euis)
    known = registry(store, numbers, revisions(store, as_of=as_of))
    for chunk in chunks(delivery_counts(store, [numbers[name] for name in wanted if name in numbers]), block):
        derived = with_content(derive(deliveries_of(store, chunk, stored_by=as_of), codecs, known))
        store.con.register("_as_of", _numbered(derived))
        told = readings_of(store, selection, "_as_of", "_as_of")
        store.con.unregister("_as_of")
        yield from told.to_batches()


def _numbered(derived: pa.Table) -> pa.Table:
    """Return readings and provenance as one table, which serves for both: each row is its own provenance."""
    number = pa.array(range(derived.num_rows), pa.int32())
    return derived.append_column("provenance_id", number).select([*READING.names, *PROVENANCE.names[1:]])
