"""Readings that may be seen, in the order of an export, read at once into a file."""

from __future__ import annotations

from typing import BinaryIO

import pyarrow as pa

from loamline.edges.store.api_pages import parameters, where
from loamline.edges.store.api_readings import Wanted, probe_numbers, source_of
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import COLUMNS, SCHEMA

_BATCH_ROWS = 32_768
_PACKED = pa.ipc.IpcWriteOptions(compression="lz4")


def write_rows(store: Store, wanted: Wanted, file: BinaryIO, most: int) -> int:
    """Write at most so many readings to `file` as an Arrow stream, columns as SCHEMA; return how many.

    In order of dev_eui, depth_index and measured_at. Raises OSError.
    """
    terms = wanted.terms()
    told = ", ".join(f'{column.sql} AS "{column.name}"' for column in COLUMNS)
    query = (
        f"SELECT {told} {source_of(probe_numbers(store, wanted, None))} WHERE {where(terms)} "
        f"ORDER BY i.dev_eui, r.depth_index, r.measured_at LIMIT {int(most)}"
    )
    stream = store.con.sql(query, params=parameters(terms)).to_arrow_reader(_BATCH_ROWS)
    rows = 0
    with pa.ipc.new_stream(file, SCHEMA, options=_PACKED) as writer:
        for batch in stream:
            writer.write_batch(batch.cast(SCHEMA))
            rows += batch.num_rows
    return rows
