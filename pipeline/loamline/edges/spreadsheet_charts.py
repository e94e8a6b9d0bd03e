"""Charts that a spreadsheet program draws itself: water content by the day, a chart a site, a line a probe and depth.

They point at the cells of the daily summary, so that they follow what a person filters or mends there. Lines differ by
dash and marker as well as by ink, and readings that failed are in none of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import xlsxwriter

SHEET = "charts"
#: More lines than a person can tell apart, and more charts than anyone pages through, are left out and said to be.
LINES_A_CHART, CHARTS = 12, 24
_INKS = ("#1A1A1A", "#0B5D94", "#B8480B", "#00735A", "#8A4A78", "#7A6A00")
_DASHES = ("solid", "dash", "round_dot", "dash_dot", "long_dash", "long_dash_dot")
_MARKERS = ("circle", "square", "triangle", "diamond", "x", "plus")
_DAY_0 = date(1899, 12, 30)
_CHART_ROWS = 24


@dataclass
class Line:
    """Where one depth of one probe stands on a sheet of the daily summary; rows counted from 0, ends included."""

    site: str
    name: str
    sheet: str
    first_row: int
    last_row: int
    first_day: date
    last_day: date


class Lines:
    """The lines as the daily summary is written, and those of each site that go into its chart."""

    def __init__(self) -> None:
        self._sites: dict[str, list[Line]] = {}
        self._left_out: dict[str, int] = {}
        self._open: tuple[tuple[Any, ...], Line] | None = None

    def saw(self, row: dict[str, Any], sheet: str, at: int) -> None:
        """Note that a row of the daily summary stands in row `at` of a sheet; rows of a line follow each other."""
        key = (row["dev_eui"], row["depth_index"], row["site"], row["label"], row["depth_cm"], sheet)
        if self._open is not None and self._open[0] == key:
            self._open[1].last_row, self._open[1].last_day = at, row["day"]
            return
        line = Line(row["site"] or "(not placed)", _name(row), sheet, at, at, row["day"], row["day"])
        self._open = (key, line)
        lines = self._sites.setdefault(line.site, []) if line.site in self._sites or len(self._sites) < CHARTS else None
        if lines is not None and len(lines) < LINES_A_CHART:
            lines.append(line)
        else:
            self._left_out[line.site] = self._left_out.get(line.site, 0) + 1

    def draw(self, book: xlsxwriter.Workbook, day_column: int, vwc_column: int) -> None:
        """Add the sheet with the charts; the columns are those of the daily summary."""
        sheet = book.add_worksheet(SHEET)
        bold = book.add_format({"bold": True})
        sheet.write_string(0, 0, "Water content by the day, m3/m3: means without the readings that failed", bold)
        for row, words in enumerate(self._words(), start=1):
            sheet.write_string(row, 0, words)
        top = 2 + len(list(self._words()))
        for number, (site, lines) in enumerate(sorted(self._sites.items())):
            sheet.insert_chart(
                top + number * _CHART_ROWS, 0, _chart(book, site, lines, day_column, vwc_column),
                {"description": f"Daily mean water content at {site}, one line a probe and depth"},
            )  # fmt: skip

    def _words(self) -> Iterator[str]:
        if not self._sites:
            yield "There are no readings to draw."
        for site, count in sorted(self._left_out.items()):
            yield f"Not drawn for want of room: {count} more at {site}; the daily summary holds them all."


def _chart(book: xlsxwriter.Workbook, site: str, lines: list[Line], day_column: int, vwc_column: int) -> Any:
    chart = book.add_chart({"type": "scatter", "subtype": "straight_with_markers"})
    for number, line in enumerate(lines):
        ink = _INKS[number % len(_INKS)]
        chart.add_series(
            {
                "name": line.name,
                "categories": [line.sheet, line.first_row, day_column, line.last_row, day_column],
                "values": [line.sheet, line.first_row, vwc_column, line.last_row, vwc_column],
                "line": {"color": ink, "width": 1.5, "dash_type": _DASHES[(number + number // 6) % len(_DASHES)]},
                "marker": {
                    "type": _MARKERS[number % len(_MARKERS)],
                    "size": 4,
                    "border": {"color": ink},
                    "fill": {"color": ink},
                },
            }
        )
    first, last = min(line.first_day for line in lines), max(line.last_day for line in lines)
    chart.set_title({"name": f"Water content, {site}", "overlay": False, "name_font": {"size": 12, "bold": False}})
    chart.set_x_axis(
        {
            "name": "day by the clock of the site",
            "num_format": "yyyy-mm-dd",
            "min": (first - _DAY_0).days,
            "max": max((last - _DAY_0).days, (first - _DAY_0).days + 1),
            "num_font": {"rotation": -45},
            "major_gridlines": {"visible": False},
        }
    )
    chart.set_y_axis({"name": "water content, m3/m3", "num_format": "0.00"})
    chart.set_legend({"position": "right"})
    chart.show_blanks_as("gap")
    chart.set_size({"width": 960, "height": 460})
    return chart


def _name(row: dict[str, Any]) -> str:
    who = row["label"] or row["serial"] or row["dev_eui"]
    deep = f"{row['depth_cm']:g} cm" if row["depth_cm"] is not None else f"depth {row['depth_index']}"
    # The depth stands first: a name that begins with = would be taken for a reference to a cell.
    return f"{deep}, {who}"
