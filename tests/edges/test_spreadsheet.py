"""The spreadsheet read back with openpyxl: sheets, typed cells, the site's clock, charts, and a sheet that is full."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from typing import Any

import openpyxl
import pyarrow as pa
import pytest
from openpyxl.utils import get_column_letter

from loamline.core.reading_summaries import Period, summary_schema
from loamline.edges.spreadsheet import LARGEST_ROWS, write_spreadsheet
from loamline.edges.store.connection import Store
from loamline.edges.store.placements import PLACEMENTS, SITES, Surroundings, surroundings
from loamline.edges.store.readings import SCHEMA, Selection, readings

LISBON = Surroundings(
    PLACEMENTS.empty_table(),
    pa.Table.from_pylist([{"site": "Quinta", "time_zone": "Europe/Lisbon"}], schema=SITES),
)


@pytest.fixture(scope="module")
def book(season_store):
    """Return the season as a workbook."""
    file = io.BytesIO()
    with Store.open(season_store, writable=False) as store:
        about = surroundings(store, Selection())
        write_spreadsheet(readings(store, Selection()), file, lambda _: None, about)
    return openpyxl.load_workbook(file)


def written(rows: list[dict[str, Any]], about: Surroundings = LISBON, **more: Any) -> openpyxl.Workbook:
    file = io.BytesIO()
    stream = pa.Table.from_pylist(rows, schema=SCHEMA).to_reader(max_chunksize=3)
    assert write_spreadsheet(stream, file, lambda _: None, about, **more) == len(rows)
    return openpyxl.load_workbook(file)


def rows_of(sheet: Any) -> list[dict[str, Any]]:
    header, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(header, row, strict=True)) for row in rows]


def hourly(count: int, **more: Any) -> list[dict[str, Any]]:
    """Return readings of one depth, an hour apart, that begin on the eve of summer time in Lisbon."""
    start = datetime(2026, 3, 28, 22, tzinfo=UTC)
    told = {"dev_eui": "02BB000000000001", "depth_index": 0, "site": "Quinta", "label": "row 3", "depth_cm": 20.0}
    figures = {"vwc_m3_m3": 0.25, "vwc_uncertainty_m3_m3": 0.01, "verdict": "pass"}
    return [{**told, **figures, "measured_at": start + timedelta(hours=at), **more} for at in range(count)]


def column(sheet: Any, name: str) -> int:
    return next(cell.column for cell in sheet[1] if cell.value == name)


def test_the_sheets_are_those_that_an_adviser_needs(book):
    assert book.sheetnames == ["readings", "daily summary", "placements", "charts", "legend"]


@pytest.mark.parametrize("name", ["readings", "daily summary", "placements"])
def test_every_table_has_a_frozen_header_and_a_filter(book, name):
    sheet = book[name]
    assert sheet.freeze_panes == "A2"
    assert sheet.auto_filter.ref == f"A1:{get_column_letter(sheet.max_column)}{sheet.max_row}"


def test_cells_are_typed_and_show_as_many_decimals_as_they_are_worth(book):
    sheet = book["readings"]
    for name in ("measured_at", "measured_at_local", "heard_at"):
        cell = sheet.cell(2, column(sheet, name))
        assert (cell.is_date, cell.number_format) == (True, "yyyy-mm-dd hh:mm:ss"), name
    day = book["daily summary"].cell(2, column(book["daily summary"], "day"))
    assert (day.is_date, day.number_format, day.value) == (True, "yyyy-mm-dd", datetime(2026, 5, 1))  # noqa: DTZ001
    shapes = {"vwc_m3_m3": "0.000", "vwc_uncertainty_m3_m3": "0.000", "plant_available_fraction": "0.00"}
    for name, shape in (shapes | {"soil_temperature_degc": "0.00"}).items():
        cell = sheet.cell(2, column(sheet, name))
        assert (cell.data_type, cell.number_format) == ("n", shape), name
    assert sheet.cell(2, column(sheet, "dev_eui")).data_type == "s"


def test_the_clock_of_the_site_stands_beside_utc():
    """Lisbon goes from 00:59:59 to 02:00:00 on 2026-03-29 (last Sunday of March, 01:00 UTC)."""
    rows = rows_of(written(hourly(4))["readings"])
    assert [(f"{row['measured_at_local']:%d %H:%M}", f"{row['measured_at']:%d %H:%M}") for row in rows] == [
        ("28 22:00", "28 22:00"),
        ("28 23:00", "28 23:00"),
        ("29 00:00", "29 00:00"),
        ("29 02:00", "29 01:00"),
    ]


def test_the_daily_summary_has_a_row_a_depth_and_day_of_the_site(book):
    rows = rows_of(book["daily summary"])
    assert list(rows[0]) == summary_schema(Period.DAILY).names
    readings_of = [row["readings"] for row in rows]
    assert sum(readings_of) == book["readings"].max_row - 1
    days = [(row["dev_eui"], row["depth_index"], row["day"]) for row in rows]
    assert days == sorted(set(days))


def test_placements_tell_where_each_depth_sits(book):
    assert [(row["serial"], row["site"], row["depth_cm"], row["time_zone"]) for row in rows_of(book["placements"])] == [
        ("S-0001", "North field", 10, "UTC"),
        ("S-0002", "Pear orchard", 20, "UTC"),
        ("S-0004", "Pear orchard", 15, "UTC"),
        ("S-0004", "Pear orchard", 30, "UTC"),
    ]


def test_each_site_has_a_chart_of_its_own_over_the_cells_of_the_daily_summary(book):
    """A native chart: a series a depth, days across, water content up, over exactly the rows of that depth."""
    charts = book["charts"]._charts
    assert len(charts) == 3  # two sites, and a probe in no registry
    series = {told.tx.strRef.f if told.tx.strRef else told.tx.v: told for chart in charts for told in chart.series}
    assert set(series) == {
        "10 cm, barley 1",
        "20 cm, row 7",
        "15 cm, row 9",
        "30 cm, row 9",
        "depth 0, 02BB0000000000FF",
    }
    sheet = book["daily summary"]
    where = [at for at, row in enumerate(rows_of(sheet), start=2) if row["dev_eui"] == "02BB000000000002"]
    for axis, name in (("xVal", "day"), ("yVal", "vwc_m3_m3")):
        letter = get_column_letter(column(sheet, name))
        found = getattr(series["20 cm, row 7"], axis).numRef.f
        assert found == f"'daily summary'!${letter}${where[0]}:${letter}${where[-1]}"


def test_the_legend_tells_every_column_with_its_unit_and_the_cautions(book):
    rows = rows_of(book["legend"])
    for sheet in ("readings", "daily summary", "placements"):
        told = [row["column"] for row in rows if row["sheet"] == sheet]
        assert told == [cell.value for cell in book[sheet][1]]
    units = {row["column"]: row["unit"] for row in rows if row["sheet"] == "readings"}
    assert (units["vwc_m3_m3"], units["soil_temperature_degc"], units["depth_cm"]) == ("m3/m3", "Cel", "cm")
    cautions = " ".join(row["meaning"] for row in rows if row["column"] == "caution")
    for words in ("estimates", "no substitute for local advice", "one standard uncertainty", "the site's clock"):
        assert words in cautions
    assert [row["meaning"] for row in rows if row["column"] == "time zone"] == ["North field: UTC", "Pear orchard: UTC"]


def test_more_rows_than_a_sheet_holds_go_on_to_another():
    """1 048 576 rows a sheet, one of them the header (common practice: the limit of the file format); here four."""
    assert LARGEST_ROWS == 1_048_575
    book = written(hourly(10), sheet_rows=4)
    assert [name for name in book.sheetnames if name.startswith("readings")] == ["readings", "readings 2", "readings 3"]
    found = [rows_of(book[name]) for name in ("readings", "readings 2", "readings 3")]
    assert [len(rows) for rows in found] == [4, 4, 2]
    instants = [row["measured_at"].replace(tzinfo=UTC) for rows in found for row in rows]
    assert instants == [row["measured_at"] for row in hourly(10)]
    assert book["readings 3"].auto_filter.ref.endswith("3")


def test_a_line_that_goes_over_to_another_sheet_is_drawn_in_two():
    book = written([row for day in range(6) for row in hourly(1, measured_at=datetime(2026, 5, 1 + day, tzinfo=UTC))],
                   sheet_rows=4)  # fmt: skip
    (chart,) = book["charts"]._charts
    found = [series.yVal.numRef.f.split("!") for series in chart.series]
    assert [sheet for sheet, _ in found] == ["'daily summary'", "'daily summary 2'"]
    assert [cells.replace("$", "") for _, cells in found] == ["J2:J5", "J2:J3"]


def test_more_lines_than_can_be_told_apart_are_left_out_and_said_to_be():
    rows = [row for depth in range(15) for row in hourly(1, depth_index=depth)]
    sheet = written(rows)["charts"]
    (chart,) = sheet._charts
    assert len(chart.series) == 12
    assert sheet["A2"].value == "Not drawn for want of room: 3 more at Quinta; the daily summary holds them all."


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_formula_like_text_is_text_in_every_sheet_and_chart(start):
    """A typed text cell is never evaluated, so that it needs no apostrophe; no chart takes a name for a reference."""
    text = f"{start}1+1"
    book = written(hourly(1, label=text, site=text))
    for sheet in book:
        assert not [cell for row in sheet.iter_rows() for cell in row if cell.data_type == "f"], sheet.title
    assert rows_of(book["readings"])[0]["label"] == text
    (chart,) = book["charts"]._charts
    assert chart.series[0].tx.strRef is None


def test_no_readings_give_headers_and_a_word_in_place_of_a_chart():
    book = written([])
    assert rows_of(book["readings"]) == rows_of(book["daily summary"]) == []
    assert book["charts"]["A2"].value == "There are no readings to draw."


def test_an_instant_before_a_spreadsheet_s_calendar_is_text():
    """Spreadsheet programs know no date before 1900; a probe's broken clock may still tell one."""
    (row,) = rows_of(written(hourly(1, site=None, measured_at=datetime(1890, 5, 1, tzinfo=UTC)))["readings"])
    assert (row["measured_at"], row["measured_at_local"]) == ("1890-05-01T00:00:00Z", "1890-05-01T00:00:00")
