"""Readings out, as CSV, Parquet or a spreadsheet: each a writer over a stream of Arrow batches.

Equal rows give equal bytes, whenever and in whatever batches they are written. A file appears under its name only
when it is whole: it is written beside it and renamed.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Iterable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from loamline.edges.spreadsheet import write_spreadsheet


class Format(StrEnum):
    """What readings can be written as."""

    CSV = "csv"
    PARQUET = "parquet"
    XLSX = "xlsx"


#: Called with the number of rows written so far.
Told = Callable[[int], None]

#: Rows of a Parquet row group. Fixed, since a group's bytes depend on where it is cut.
ROW_GROUP = 131_072

#: What makes a spreadsheet program take a text cell for a formula (OWASP, CSV injection).
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def format_of(path: Path) -> Format | None:
    """Return the format that a file's suffix names, None where it names none."""
    return next((kind for kind in Format if path.suffix.lower() == f".{kind}"), None)


def write_file(stream: pa.RecordBatchReader, path: Path, kind: Format, told: Told) -> int:
    """Write the stream to `path`, whole or not at all; return the rows. Raises OSError where it can't be written."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    write = {Format.CSV: write_csv, Format.PARQUET: write_parquet, Format.XLSX: write_spreadsheet}[kind]
    try:
        with unfinished.open("wb") as file:
            rows = write(stream, file, told)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    return rows


def write_csv(stream: pa.RecordBatchReader, file: BinaryIO, told: Told) -> int:
    """Write RFC 4180 CSV in UTF-8: a header, doubles in their shortest exact form, times as RFC 3339, null as empty.

    Text that a spreadsheet program would run as a formula gets an apostrophe in front; figures never do.
    """
    text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(stream.schema.names)
    rows = 0
    for batch in stream:
        writer.writerows(zip(*(_csv_cells(column) for column in batch.columns), strict=True))
        rows += batch.num_rows
        told(rows)
    text.flush()
    text.detach()
    return rows


def write_parquet(stream: pa.RecordBatchReader, file: BinaryIO, told: Told) -> int:
    """Write Parquet with zstd; columns keep their types, unit and meaning stand in each field's metadata."""
    rows = 0
    with pq.ParquetWriter(file, stream.schema, compression="zstd", version="2.6") as writer:
        for table in _regrouped(stream, ROW_GROUP):
            writer.write_table(table, row_group_size=ROW_GROUP)
            rows += table.num_rows
            told(rows)
    return rows


def rfc3339_column(column: pa.Array) -> list[str | None]:
    """Return a UTC timestamp column as RFC 3339 text, with a fraction of a second only where there is one."""
    known = np.asarray(column.is_valid())
    us = np.asarray(column.cast(pa.int64()).fill_null(0).to_numpy(zero_copy_only=False), dtype=np.int64)
    texts = np.datetime_as_string(us.astype("datetime64[us]"), unit="us").tolist()
    return [f"{text.removesuffix('.000000')}Z" if told else None for text, told in zip(texts, known, strict=True)]


def _csv_cells(column: pa.Array) -> Iterable[Any]:
    kind = column.type
    if pa.types.is_timestamp(kind):
        return rfc3339_column(column)
    if pa.types.is_boolean(kind):
        words = {True: "true", False: "false", None: None}
        return [words[value] for value in column.to_pylist()]
    if pa.types.is_string(kind):
        return [f"'{text}" if text and text.startswith(_FORMULA_STARTS) else text for text in column.to_pylist()]
    # csv.writer writes None as an empty cell and a float by `repr`: the shortest text that reads back the same.
    cells: list[Any] = column.to_pylist()
    return cells


def _regrouped(stream: pa.RecordBatchReader, size: int) -> Iterator[pa.Table]:
    """Yield the stream in tables of `size` rows, the last one smaller."""
    held: list[pa.RecordBatch] = []
    count = 0
    for batch in stream:
        held.append(batch)
        count += batch.num_rows
        while count >= size:
            table = pa.Table.from_batches(held)
            yield table.slice(0, size).combine_chunks()
            held = table.slice(size).to_batches()
            count -= size
    if count:
        yield pa.Table.from_batches(held).combine_chunks()
