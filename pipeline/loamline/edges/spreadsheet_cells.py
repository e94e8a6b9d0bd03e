"""Typed rows on the sheets of a workbook: one cell writer a column, and another sheet where one is full."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from functools import partial
from typing import Any

import pyarrow as pa
import xlsxwriter
from xlsxwriter.worksheet import Worksheet

#: Rows of a sheet under its header; the file format ends at 1 048 576 (ECMA-376 SpreadsheetML, common practice).
LARGEST_ROWS = 1_048_575

#: Decimals shown, by the end of the column's name; the cells hold the figure in full.
_SHOWN = {
    "depth_cm": "0.#",
    "permittivity": "0.00",
    "_m3_m3": "0.000",
    "deficit_below": "0.000",
    "excess_above": "0.000",
    "plant_available_fraction": "0.00",
    "_degc": "0.00",
    "conductivity_ds_m": "0.000",
    "supply_v": "0.000",
    "best_rssi_dbm": "0.0",
    "best_snr_db": "0.0",
}
#: Spreadsheet programs know no date before this one.
_FIRST_DATE = datetime(1900, 3, 1)  # noqa: DTZ001 - xlsxwriter takes naive times


class _Exact(float):
    """A number written with all its digits, where xlsxwriter would write 16 and lose the last bits of some doubles."""

    def __format__(self, spec: str) -> str:
        return repr(float(self))


class Sheets:
    """Rows of one schema on a sheet, and on `name 2`, `name 3` and so on where there are more than `limit`."""

    def __init__(self, book: xlsxwriter.Workbook, name: str, schema: pa.Schema, limit: int) -> None:
        self._book = book
        self._name = name
        self._schema = schema
        self._limit = limit
        self._formats = [_format(book, field) for field in schema]
        self._bold = book.add_format({"bold": True})
        self._sheets: list[Worksheet] = []
        self._begin()

    @property
    def sheet_name(self) -> str:
        """The sheet that is being written."""
        return str(self._sheets[-1].get_name())

    @property
    def next_row(self) -> int:
        """The row, counted from 0 for the header, into which the next row goes on that sheet."""
        return self._row + 1

    def write(self, rows: pa.Table | pa.RecordBatch) -> None:
        """Write rows below those before."""
        for values in zip(*(column.to_pylist() for column in rows.columns), strict=True):
            self.write_row(values)

    def write_row(self, values: tuple[Any, ...]) -> None:
        """Write one row; None is an empty cell."""
        self.make_room()
        self._row += 1
        for index, (write, value) in enumerate(zip(self._writers, values, strict=True)):
            if value is not None:
                write(self._row, index, value)

    def make_room(self) -> None:
        """Begin another sheet where the last one is full, so that `next_row` is a row of `sheet_name`."""
        if self._row == self._limit:
            self._end()
            self._begin()

    def close(self) -> None:
        """Give the last sheet its filter."""
        self._end()

    def _begin(self) -> None:
        number = len(self._sheets) + 1
        sheet = self._book.add_worksheet(self._name if number == 1 else f"{self._name} {number}")
        for index, (field, shape) in enumerate(zip(self._schema, self._formats, strict=True)):
            sheet.set_column(index, index, _width(field), shape)
            sheet.write_string(0, index, field.name, self._bold)
        sheet.freeze_panes(1, 0)
        self._sheets.append(sheet)
        self._row = 0
        self._writers = [_cell_writer(sheet, field) for field in self._schema]

    def _end(self) -> None:
        self._sheets[-1].autofilter(0, 0, self._row, len(self._schema) - 1)


def _cell_writer(sheet: Worksheet, field: pa.Field) -> Callable[[int, int, Any], object]:
    if pa.types.is_timestamp(field.type) or pa.types.is_date(field.type):
        return partial(_write_date, sheet)
    if pa.types.is_boolean(field.type):
        return partial(sheet.write_boolean)
    if pa.types.is_string(field.type):
        # Always text, never a formula, whatever it starts with.
        return partial(sheet.write_string)
    if pa.types.is_floating(field.type):
        return lambda row, index, value: sheet.write_number(row, index, _Exact(value))
    return partial(sheet.write_number)


def _write_date(sheet: Worksheet, row: int, index: int, value: datetime | date) -> None:
    naive = value.replace(tzinfo=None) if isinstance(value, datetime) else datetime(value.year, value.month, value.day)  # noqa: DTZ001
    if naive >= _FIRST_DATE:
        sheet.write_datetime(row, index, naive)
        return
    utc = isinstance(value, datetime) and value.tzinfo is not None
    sheet.write_string(row, index, value.isoformat().replace("+00:00", "") + ("Z" if utc else ""))


def _format(book: xlsxwriter.Workbook, field: pa.Field) -> Any:
    shape = _number_format(field)
    return book.add_format({"num_format": shape}) if shape else None


def _number_format(field: pa.Field) -> str | None:
    if pa.types.is_timestamp(field.type):
        return "yyyy-mm-dd hh:mm:ss"
    if pa.types.is_date(field.type):
        return "yyyy-mm-dd"
    return next((shape for end, shape in _SHOWN.items() if field.name.endswith(end)), None)


def _width(field: pa.Field) -> int:
    return 20 if pa.types.is_timestamp(field.type) else max(10, min(24, len(field.name) + 4))
