"""Rows that the daemon hands over to a command: Arrow streams in a file, written aside and renamed when whole.

The command names the file, in a folder that is its own affair, and removes it when it has read it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa

from loamline.core.change_report import Place
from loamline.core.columns import ints, whole
from loamline.edges.store.preview import Compared

_PACKED = pa.ipc.IpcWriteOptions(compression="lz4")


@contextmanager
def handing_over(path: Path) -> Iterator[BinaryIO]:
    """Yield a file to write, which appears as `path` when it is whole. Raises OSError, also where `path` is taken."""
    if path.exists():
        raise FileExistsError(None, "the file is there already", str(path))
    unfinished = path.with_name(path.name + ".part")
    file = unfinished.open("xb")
    try:
        with file:
            yield file
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise


def write_stream(file: BinaryIO, schema: pa.Schema, batches: Iterator[pa.RecordBatch]) -> Iterator[int]:
    """Write one stream; yield the rows so far after each batch. Several may stand in a file one after the other."""
    rows = 0
    with pa.ipc.new_stream(file, schema, options=_PACKED) as writer:
        for batch in batches:
            writer.write_batch(batch)
            rows += batch.num_rows
            yield rows


class ComparedRows:
    """Writes chunks of a preview: the changed rows, or with `whole_probes` every row of a probe with changes."""

    def __init__(self, file: BinaryIO, *, whole_probes: bool) -> None:
        self._file, self._whole_probes = file, whole_probes
        self._writer: Any = None

    def take(self, compared: Compared, names: Mapping[int, str], state: int) -> None:
        """Write what is wanted of a chunk; `names` gives dev_euis by probe_id, `state` is the registry state."""
        changed = compared.rows.filter(compared.rows.column("changed"))
        if not changed.num_rows:
            return
        rows = changed
        if self._whole_probes:
            of_these = pa.compute.is_in(compared.rows.column("probe_id"), pa.compute.unique(changed.column("probe_id")))
            rows = compared.rows.filter(of_these)
        dev_eui = [names[number] for number in ints(whole(rows, "probe_id")).tolist()]
        rows = rows.append_column("dev_eui", pa.array(dev_eui, pa.string())).combine_chunks()
        if self._writer is None:
            places = json.dumps([[place.site, place.depth_cm, place.texture] for place in compared.places])
            schema = rows.schema.with_metadata({"places": places, "state": str(state)})
            self._writer = pa.ipc.new_stream(self._file, schema, options=_PACKED)
        self._writer.write_table(rows)

    def close(self) -> None:
        """End the stream."""
        if self._writer is not None:
            self._writer.close()


def compared_rows(path: Path) -> Iterator[tuple[Compared, Mapping[int, str], int]]:
    """Yield what `ComparedRows` was given, chunk by chunk, as far as it wrote it."""
    if not path.stat().st_size:
        return
    with pa.OSFile(str(path)) as file, pa.ipc.open_stream(file) as stream:
        told = stream.schema.metadata
        places = [Place(*place) for place in json.loads(told[b"places"])]
        for batch in stream:
            rows = pa.Table.from_batches([batch])
            names = dict(zip(ints(whole(rows, "probe_id")).tolist(), rows.column("dev_eui").to_pylist(), strict=True))
            yield Compared(0, 0, rows.drop_columns(["dev_eui"]), places), names, int(told[b"state"])


@contextmanager
def streams(path: Path, tables: int) -> Iterator[tuple[list[pa.Table], pa.RecordBatchReader]]:
    """Yield so many streams of a file as tables, and the one after them to be read batch by batch."""
    with pa.OSFile(str(path)) as file:
        first = [pa.ipc.open_stream(file).read_all() for _ in range(tables)]
        yield first, pa.ipc.open_stream(file)
