"""Readings as a spreadsheet: sheet `readings` with typed cells, and sheet `legend` that says what each column means.

Rows are streamed (constant memory), and the bytes depend on the rows alone: the creation date is fixed.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any, BinaryIO

import pyarrow as pa
import xlsxwriter
from xlsxwriter.worksheet import Worksheet

#: Rows of a sheet under its header; the file format ends at 1 048 576 (ECMA-376 SpreadsheetML, common practice).
LARGEST_ROWS = 1_048_575

#: Named in every spreadsheet's legend.
CAUTIONS = (
    "Water contents are estimates with an uncertainty: a published curve misses a given soil by some hundredths.",
    "vwc_uncertainty_m3_m3 is one standard uncertainty: about one figure in three is off by more than that.",
    "Zones and the plant-available fraction are no better than the soil and crop that the registry was told.",
    "In organic, saline, stony or clayey soil the uncertainty is larger.",
    "A verdict of pass means that the checks found nothing, not that the figure is right.",
    "Leave fail and missing out, and look twice at suspect and not_evaluated.",
    "The figures are no substitute for local advice: ask someone who knows the crop and the soil.",
    "All times are UTC.",
)

#: Decimals shown; the cells hold the figure in full.
_SHOWN = {
    "depth_cm": "0.#",
    "permittivity": "0.00",
    "vwc_m3_m3": "0.000",
    "vwc_uncertainty_m3_m3": "0.000",
    "plant_available_fraction": "0.00",
    "soil_temperature_degc": "0.00",
    "conductivity_ds_m": "0.000",
    "supply_v": "0.000",
    "best_rssi_dbm": "0.0",
    "best_snr_db": "0.0",
}
_CREATED = datetime(2000, 1, 1)  # noqa: DTZ001 - xlsxwriter takes naive times; any fixed one will do
#: Spreadsheet programs know no date before this one.
_FIRST_DATE = datetime(1900, 3, 1, tzinfo=UTC)


class _Exact(float):
    """A number written with all its digits, where xlsxwriter would write 16 and lose the last bits of some doubles."""

    def __format__(self, spec: str) -> str:
        return repr(float(self))


def write_spreadsheet(stream: pa.RecordBatchReader, file: BinaryIO, told: Callable[[int], None]) -> int:
    """Write the stream as XLSX; return the rows. The caller has made sure that they are at most LARGEST_ROWS."""
    book = xlsxwriter.Workbook(file, {"constant_memory": True})
    book.use_zip64()
    book.set_properties({"created": _CREATED, "title": "loamline readings"})
    sheet, bold = book.add_worksheet("readings"), book.add_format({"bold": True})
    for index, field in enumerate(stream.schema):
        shape = _number_format(field)
        sheet.set_column(index, index, _width(field), book.add_format({"num_format": shape}) if shape else None)
        sheet.write_string(0, index, field.name, bold)
    sheet.freeze_panes(1, 0)
    writers = [_cell_writer(sheet, field) for field in stream.schema]
    rows = 0
    for batch in stream:
        for values in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            rows += 1
            for index, (write, value) in enumerate(zip(writers, values, strict=True)):
                if value is not None:
                    write(rows, index, value)
        told(rows)
    sheet.autofilter(0, 0, rows, len(stream.schema) - 1)
    _legend(book, stream.schema, bold)
    book.close()
    return rows


def _legend(book: xlsxwriter.Workbook, schema: pa.Schema, bold: Any) -> None:
    sheet, wrapped = book.add_worksheet("legend"), book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 10)
    sheet.set_column(2, 2, 90, wrapped)
    lines = [("column", "unit", "meaning")]
    lines += [(f.name, f.metadata[b"unit"].decode(), f.metadata[b"meaning"].decode()) for f in schema]
    lines += [("", "", ""), *(("caution", "", caution) for caution in CAUTIONS)]
    for row, cells in enumerate(lines):
        for index, cell in enumerate(cells):
            sheet.write_string(row, index, cell, bold if row == 0 else None)
    sheet.freeze_panes(1, 0)


def _cell_writer(sheet: Worksheet, field: pa.Field) -> Callable[[int, int, Any], object]:
    if pa.types.is_timestamp(field.type):
        return lambda row, index, value: _write_instant(sheet, row, index, value)
    if pa.types.is_boolean(field.type):
        return partial(sheet.write_boolean)
    if pa.types.is_string(field.type):
        # Always text, never a formula, whatever it starts with.
        return partial(sheet.write_string)
    if pa.types.is_floating(field.type):
        return lambda row, index, value: sheet.write_number(row, index, _Exact(value))
    return partial(sheet.write_number)


def _write_instant(sheet: Worksheet, row: int, index: int, value: datetime) -> None:
    if value < _FIRST_DATE:
        sheet.write_string(row, index, value.isoformat().replace("+00:00", "Z"))
    else:
        sheet.write_datetime(row, index, value.replace(tzinfo=None))


def _number_format(field: pa.Field) -> str | None:
    return "yyyy-mm-dd hh:mm:ss" if pa.types.is_timestamp(field.type) else _SHOWN.get(field.name)


def _width(field: pa.Field) -> int:
    return 20 if pa.types.is_timestamp(field.type) else max(10, min(24, len(field.name) + 4))
