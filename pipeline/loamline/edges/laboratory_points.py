"""Laboratory points from a CSV file: columns `permittivity` and `vwc_m3_m3`, one point a line, others passed over.

Every fault is told at once, with line, column, expected and got; a file with one fault gives no points.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from loamline.core.columns import Floats
from loamline.edges.registry_fault import Fault

#: What each column holds: the least, the most, and the sentence for anything else.
COLUMNS = {
    "permittivity": (1.0, 1000.0, "a relative permittivity of 1 to 1000"),
    "vwc_m3_m3": (0.0, 1.0, "a water content of 0 to 1 m3/m3"),
}


class PointsError(Exception):
    """A file that can't be read as points; `faults` has one entry a fault, in order of lines."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults


@dataclass(frozen=True)
class LaboratoryPoints:
    """n points, each column of shape (n,), in the order of the file."""

    permittivity: Floats
    vwc_m3_m3: Floats


def read_points(path: Path) -> LaboratoryPoints:
    """Return the points of a CSV file; raises PointsError."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise PointsError([Fault(str(path), None, "", "a CSV file of laboratory points", "none")]) from None
    except (OSError, UnicodeDecodeError) as problem:
        raise PointsError([Fault(str(path), None, "", "a readable file in UTF-8", str(problem))]) from None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    faults: list[Fault] = []
    points: list[list[float]] = []
    try:
        header = [name.strip() for name in next(reader, [])]
        faults += _header_faults(path.name, header)
        told = [] if faults else [(reader.line_num, cells) for cells in reader if any(map(str.strip, cells))]
        points = [_point(path.name, line, header, cells, faults) for line, cells in told]
    except csv.Error as problem:
        faults.append(Fault(path.name, reader.line_num, "", "comma-separated values (RFC 4180)", str(problem)))
    if not faults and not points:
        faults.append(Fault(path.name, 2, "", "a point", "the end of the file"))
    if faults:
        raise PointsError(faults)
    permittivity, vwc = np.array(points, dtype=np.float64).T
    return LaboratoryPoints(permittivity.copy(), vwc.copy())


def _header_faults(name: str, header: list[str]) -> list[Fault]:
    got = ", ".join(header) if any(header) else "an empty line"
    return [
        Fault(name, 1, column, "this column in the header, once", got)
        for column in COLUMNS
        if header.count(column) != 1
    ]


def _point(name: str, line: int, header: list[str], cells: list[str], faults: list[Fault]) -> list[float]:
    """Return a row's two figures; what is wrong with it goes to `faults`."""
    if len(cells) != len(header):
        faults.append(Fault(name, line, "", f"{len(header)} cells, as in the header", f"{len(cells)}"))
        return [math.nan, math.nan]
    return [_figure(name, line, column, cells[header.index(column)].strip(), faults) for column in COLUMNS]


def _figure(name: str, line: int, column: str, cell: str, faults: list[Fault]) -> float:
    least, most, expected = COLUMNS[column]
    try:
        # Python's own notation of numbers is wider than anyone's: 1_0 would be ten.
        figure = math.nan if "_" in cell else float(cell)
    except ValueError:
        figure = math.nan
    if not math.isfinite(figure) or not least <= figure <= most:
        percent = "; per cent are divided by 100" if column == "vwc_m3_m3" and 1 < figure <= 100 else ""
        faults.append(Fault(name, line, column, expected, (repr(cell) if cell else "nothing") + percent))
    return figure
