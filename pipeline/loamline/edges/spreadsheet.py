"""Readings as a spreadsheet that a field adviser can open: readings, daily summary, placements, charts and a legend.

Rows are streamed (constant memory) and go over to another sheet where one is full. Each instant stands there by the
clock of the site with UTC beside it, since spreadsheet cells know no time zone. The bytes depend on the rows and the
registry alone: the creation date is fixed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import BinaryIO

import pyarrow as pa
import xlsxwriter

from loamline.core.columns import arrow, instants
from loamline.core.local_time import local_by_site
from loamline.core.reading_summaries import Period, summaries, summary_schema
from loamline.edges.spreadsheet_cells import LARGEST_ROWS, Sheets
from loamline.edges.spreadsheet_charts import SHEET as CHARTS
from loamline.edges.spreadsheet_charts import Lines
from loamline.edges.store.placements import NO_SURROUNDINGS, PLACEMENTS, Surroundings

__all__ = ["CAUTIONS", "LARGEST_ROWS", "write_spreadsheet"]

#: Named in every spreadsheet's legend.
CAUTIONS = (
    "Water contents are estimates with an uncertainty: a published curve misses a given soil by some hundredths.",
    "vwc_uncertainty_m3_m3 is one standard uncertainty: about one figure in three is off by more than that.",
    "Zones and the plant-available fraction are no better than the soil and crop that the registry was told.",
    "In organic, saline, stony or clayey soil the uncertainty is larger.",
    "A verdict of pass means that the checks found nothing, not that the figure is right.",
    "Leave fail and missing out, and look twice at suspect and not_evaluated.",
    "The figures are no substitute for local advice: ask someone who knows the crop and the soil.",
    "All times are UTC, but columns that end in _local and the days of the daily summary go by the site's clock.",
)

READINGS, DAILY, PLACED, LEGEND = "readings", "daily summary", "placements", "legend"
_CREATED = datetime(2000, 1, 1)  # noqa: DTZ001 - xlsxwriter takes naive times; any fixed one will do
_LOCAL = pa.field(
    "measured_at_local",
    pa.timestamp("us"),
    metadata={"unit": "", "meaning": "when the sample was taken, by the clock of the site; UTC where it has none"},
)
_DAILY_SCHEMA = summary_schema(Period.DAILY)


def write_spreadsheet(
    stream: pa.RecordBatchReader,
    file: BinaryIO,
    told: Callable[[int], None],
    about: Surroundings = NO_SURROUNDINGS,
    sheet_rows: int = LARGEST_ROWS,
) -> int:
    """Write readings, in the order and columns of `readings.SCHEMA`, as XLSX; return the rows.

    `about` tells placements and time zones; `sheet_rows` is after how many rows another sheet begins.
    """
    book = xlsxwriter.Workbook(file, {"constant_memory": True})
    book.use_zip64()
    book.set_properties({"created": _CREATED, "title": "loamline readings"})
    schema = _with_local_time(stream.schema)
    readings = Sheets(book, READINGS, schema, sheet_rows)
    daily = Sheets(book, DAILY, _DAILY_SCHEMA, sheet_rows)
    placed = Sheets(book, PLACED, PLACEMENTS, sheet_rows)
    placed.write(about.placements)
    placed.close()
    lines, rows = Lines(), 0

    def written() -> Iterator[pa.RecordBatch]:
        """Pass readings on to the summary once they stand on their sheet."""
        nonlocal rows
        for batch in stream:
            readings.write(_localised(batch, schema, about.zones))
            rows += batch.num_rows
            told(rows)
            yield batch

    for table in summaries(written(), Period.DAILY, about.zones):
        for row in table.to_pylist():
            daily.make_room()
            lines.saw(row, daily.sheet_name, daily.next_row)
            daily.write_row(tuple(row.values()))
    readings.close()
    daily.close()
    lines.draw(book, _DAILY_SCHEMA.get_field_index("day"), _DAILY_SCHEMA.get_field_index("vwc_m3_m3"))
    _legend(book, schema, about)
    book.close()
    return rows


def _with_local_time(schema: pa.Schema) -> pa.Schema:
    """Return the schema with the site's clock just before UTC."""
    return schema.insert(schema.get_field_index("measured_at"), _LOCAL)


def _localised(batch: pa.RecordBatch, schema: pa.Schema, zones: dict[str, str]) -> pa.Table:
    at = batch.column("measured_at")
    # An instant that is missing stays missing, whatever stands in its place while counting.
    local = local_by_site(instants(at.fill_null(0)), batch.column("site"), zones)
    shown = arrow(local, pa.timestamp("us")) if at.null_count == 0 else _masked(local, at)
    return pa.table([shown if name == _LOCAL.name else batch.column(name) for name in schema.names], schema=schema)


def _masked(local: object, at: pa.Array) -> pa.Array:
    return pa.array(local, pa.int64(), mask=at.is_null().to_numpy(zero_copy_only=False)).cast(pa.timestamp("us"))


def _legend(book: xlsxwriter.Workbook, schema: pa.Schema, about: Surroundings) -> None:
    sheet = book.add_worksheet(LEGEND)
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 10)
    sheet.set_column(2, 2, 90, wrapped)
    sheet.set_column(3, 3, 16)
    lines = [("column", "unit", "meaning", "sheet")]
    lines += [("caution", "", caution, "") for caution in CAUTIONS]
    lines += [("time zone", "", f"{site}: {zone}", "") for site, zone in about.zones.items()]
    lines.append(("", "", "", ""))
    for name, told in ((READINGS, schema), (DAILY, _DAILY_SCHEMA), (PLACED, PLACEMENTS)):
        lines += [(f.name, f.metadata[b"unit"].decode(), f.metadata[b"meaning"].decode(), name) for f in told]
    lines.append((CHARTS, "", f"daily means of the sheet {DAILY}, drawn", CHARTS))
    for row, cells in enumerate(lines):
        for index, cell in enumerate(cells):
            sheet.write_string(row, index, cell, bold if row == 0 else None)
    sheet.freeze_panes(1, 0)
