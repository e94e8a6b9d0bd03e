"""Changed readings before and after, as Parquet for a notebook."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from loamline.core.change_report import Place
from loamline.core.columns import ints, whole
from loamline.edges.export import ROW_GROUP
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import Verdict, Zone


def _field(name: str, kind: pa.DataType, unit: str, meaning: str) -> pa.Field:
    return pa.field(name, kind, metadata={"unit": unit, "meaning": meaning})


_SIDES = {"before": "as stored; null for a reading that comes", "after": "as recomputed; null for one that goes"}
SCHEMA = pa.schema(
    [
        _field("dev_eui", pa.string(), "", "EUI-64 of the probe"),
        _field("site", pa.string(), "", "place; null where it was not placed then"),
        _field("depth_index", pa.uint8(), "1", "which of the probe's depths, 0 the shallowest"),
        _field("depth_cm", pa.float64(), "cm", "depth below the surface"),
        _field("measured_at", INSTANT, "", "when the sample was taken, UTC"),
        *(
            _field(f"vwc_m3_m3_{side}", pa.float64(), "m3/m3", f"water content, {word}")
            for side, word in _SIDES.items()
        ),
        *(_field(f"verdict_{side}", pa.string(), "", f"QARTOD flag in words, {word}") for side, word in _SIDES.items()),
        *(
            _field(f"zone_{side}", pa.string(), "", f"deficit, adequate or excess, {word}")
            for side, word in _SIDES.items()
        ),
    ]
)


class ChangeFile:
    """A Parquet file being written; equal rows give equal bytes, in whatever chunks they come."""

    def __init__(self, writer: pq.ParquetWriter) -> None:
        self._writer = writer
        self._held = SCHEMA.empty_table()
        self.rows = 0

    def write(self, rows: pa.Table, places: Sequence[Place], names: Mapping[int, str]) -> None:
        """Append the changed ones of `rows` (`preview.Compared`); `names` gives dev_euis by probe_id."""
        rows = rows.filter(rows.column("changed"))
        if rows.num_rows == 0:
            return
        place = ints(whole(rows, "place"))
        columns = {
            "dev_eui": pa.array([names[number] for number in ints(whole(rows, "probe_id")).tolist()]),
            "site": pa.array([told.site for told in places], pa.string()).take(pa.array(place)),
            "depth_cm": pa.array([told.depth_cm for told in places], pa.float64()).take(pa.array(place)),
        }
        for side in _SIDES:
            columns[f"verdict_{side}"] = _words(rows, f"verdict_{side}", {int(flag): flag.word for flag in Verdict})
            columns[f"zone_{side}"] = _words(rows, f"zone_{side}", {int(zone): zone.word for zone in Zone})
        table = pa.table(
            [columns.get(name, rows.column(name) if name in rows.column_names else None) for name in SCHEMA.names],
            names=SCHEMA.names,
        )
        self._held = pa.concat_tables([self._held, table.cast(SCHEMA)])
        self.rows += table.num_rows
        while self._held.num_rows >= ROW_GROUP:
            self._write(ROW_GROUP)

    def finish(self) -> None:
        """Write what is held."""
        if self._held.num_rows:
            self._write(self._held.num_rows)

    def _write(self, count: int) -> None:
        self._writer.write_table(self._held.slice(0, count).combine_chunks(), row_group_size=ROW_GROUP)
        self._held = self._held.slice(count)


@contextmanager
def change_file(path: Path) -> Iterator[ChangeFile]:
    """Yield a file that appears under its name when it is whole. Raises OSError where it can't be written."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        file = unfinished.open("wb")
    except OSError as problem:
        raise OSError(problem.errno, problem.strerror, str(path)) from problem
    try:
        with file, pq.ParquetWriter(file, SCHEMA, compression="zstd", version="2.6") as writer:
            told = ChangeFile(writer)
            yield told
            told.finish()
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise


def _words(rows: pa.Table, name: str, words: Mapping[int, str]) -> pa.Array:
    numbers = ints(whole(rows, name))
    told = np.array([words.get(number) for number in range(max(words) + 1)] + [None], dtype=object)
    return pa.array(told[numbers], pa.string())
