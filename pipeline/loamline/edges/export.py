"""Readings out, as CSV, Parquet, a spreadsheet or SenML: each a writer over a stream of Arrow batches.

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

from loamline.core.columns import instants
from loamline.core.senml import NEEDED as SENML_COLUMNS
from loamline.core.senml import has_time, pack_text, records_of
from loamline.edges.store.placements import NO_SURROUNDINGS, Surroundings


class Format(StrEnum):
    """What readings can be written as."""

    CSV = "csv"
    PARQUET = "parquet"
    XLSX = "xlsx"
    SENML = "senml"


#: Called with the number of rows written so far.
Told = Callable[[int], None]

#: Rows of a Parquet row group. Fixed, since a group's bytes depend on where it is cut.
ROW_GROUP = 131_072

#: What makes a spreadsheet program take a text cell for a formula (OWASP, CSV Injection): the characters that its
#: guidance lists, line feed and the full-width forms among them; the list comes from memory.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def format_of(path: Path) -> Format | None:
    """Return the format that a file's suffix names, None where it names none."""
    return next((kind for kind in Format if path.suffix.lower() == f".{kind}"), None)


def write_file(
    stream: pa.RecordBatchReader, path: Path, kind: Format, told: Told, about: Surroundings = NO_SURROUNDINGS
) -> int:
    """Write the stream to `path`, whole or not at all; return the rows. Raises OSError where it can't be written.

    `about` is for the spreadsheet's sheets beside the readings.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        with unfinished.open("wb") as file:
            rows = write_as(stream, file, kind, told, about)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    return rows


def write_as(stream: pa.RecordBatchReader, file: BinaryIO, kind: Format, told: Told, about: Surroundings) -> int:
    """Write the stream to an open file in any of the formats; return the rows. `about` is as for `write_file`."""
    if kind is Format.XLSX:
        # Its library is large, and everything that writes readings in any form would wait for it.
        from loamline.edges.spreadsheet import write_spreadsheet  # noqa: PLC0415

        return write_spreadsheet(stream, file, told, about)
    return {Format.CSV: write_csv, Format.PARQUET: write_parquet, Format.SENML: write_senml}[kind](stream, file, told)


def write_csv(stream: pa.RecordBatchReader, file: BinaryIO, told: Told) -> int:
    """Write RFC 4180 CSV in UTF-8: a header, doubles in their shortest exact form, times as RFC 3339, null as empty.

    Text that a spreadsheet program would run as a formula gets an apostrophe in front, as OWASP advises on CSV
    injection; figures never do.
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


def write_senml(stream: pa.RecordBatchReader, file: BinaryIO, told: Told) -> int:
    """Write one SenML pack (RFC 8428) in JSON, UTF-8, a record a line; return the readings in it.

    Readings before July 1978 are left out: SenML would read their times as relative to the reader's clock.
    """
    rows = 0

    def records() -> Iterator[dict[str, Any]]:
        nonlocal rows
        for batch in stream:
            at_us = instants(batch.column("measured_at")).tolist()
            for reading, at in zip(batch.select(SENML_COLUMNS).to_pylist(), at_us, strict=True):
                if has_time(at):
                    rows += 1
                    yield from records_of(reading, at)
            told(rows)

    file.writelines(text.encode() for text in pack_text(records()))
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
        return [f"'{text}" if text and text.startswith(FORMULA_STARTS) else text for text in column.to_pylist()]
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
