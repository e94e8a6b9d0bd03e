"""A table read once, in order of probe, for work that goes through a fleet probe by probe.

To ask for the rows of some probes at a time would read the whole table each time, since what comes in live lies in
order of time. DuckDB sorts once, on disk where it is much, and hands the rows out as they are asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

import numpy as np
import pyarrow as pa

from loamline.core.columns import ints, whole
from loamline.edges.store.connection import Store

#: Rows that are taken out of the sorted table at once.
_BATCH = 20_000


class ProbeStream:
    """The rows of some probes as they stand when it is opened, whatever is committed meanwhile.

    It has a connection of its own, so that one other thread than the store's may use it; close it soon, since what it
    sees has to be kept for it.
    """

    def __init__(self, store: Store, source: str, probes: Sequence[int]) -> None:
        self._con = store.as_it_stands().con
        self._con.register("_streamed", pa.table({"probe_id": pa.array(probes, pa.int32())}))
        self._query = f"SELECT * FROM {source} SEMI JOIN _streamed USING (probe_id) ORDER BY probe_id"  # noqa: S608
        self._reader: pa.RecordBatchReader | None = None
        self._left = pa.table({"probe_id": pa.array([], pa.int32())})

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of what it sees."""
        self._reader = None
        self._con.close()

    def until(self, probe_id: int) -> pa.Table:
        """Return the rows up to and with those of a probe that were not handed out before."""
        if self._reader is None:
            self._reader = self._con.sql(self._query).to_arrow_reader(_BATCH)
            self._left = self._reader.schema.empty_table()
        parts = []
        left = self._left
        while True:
            cut = int(np.searchsorted(ints(whole(left, "probe_id")), probe_id, "right"))
            parts.append(left.slice(0, cut))
            left = left.slice(cut)
            if left.num_rows:
                break
            batch = next(self._reader, None)
            if batch is None:
                break
            left = pa.Table.from_batches([batch])
        self._left = left
        return pa.concat_tables(parts)
