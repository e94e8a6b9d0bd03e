"""The registry folder: sites.csv, probes.csv, placements.csv, curves.toml, limits.toml; soils.csv and crops.csv.

Everything is read and checked before anything is loaded, and every fault is reported at once: file, line,
column, expected, got. A folder with one fault gives no registry state. The last two files may be absent.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from loamline.core.reference import RegistryState
from loamline.edges.registry_agreement import Names, Rows, disagreements
from loamline.edges.registry_fault import Fault, Model, Row
from loamline.edges.sentences import findings
from loamline_schemas.curves import Curve
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow

_FILES = ("sites.csv", "probes.csv", "placements.csv", "curves.toml", "limits.toml", "soils.csv", "crops.csv")


def read_registry(folder: Path) -> tuple[RegistryState | None, list[Fault]]:
    """Return the folder's registry and no fault, or None and every fault, in order of file and line."""
    faults: list[Fault] = []
    sites, site_names = _read_csv(folder / "sites.csv", SiteRow, faults, "site")
    probes, dev_euis = _read_csv(folder / "probes.csv", ProbeRow, faults, "dev_eui")
    placements, _ = _read_csv(folder / "placements.csv", PlacementRow, faults, "site")
    curves, soil_curves = _read_curves(folder / "curves.toml", faults)
    limits = _read_limits(folder / "limits.toml", faults)
    soils = _read_optional_csv(folder / "soils.csv", SoilRow, faults)
    crops = _read_optional_csv(folder / "crops.csv", CropRow, faults)
    names = Names(site_names, None if dev_euis is None else {name.upper() for name in dev_euis}, soil_curves)
    faults += disagreements(Rows(sites, probes, placements, curves, soils, crops), limits, names)
    if faults or limits is None:
        return None, sorted(faults, key=lambda fault: (_FILES.index(fault.file), fault.line or 0))
    return (
        RegistryState(
            sites=tuple(row.value for row in sites),
            probes=tuple(row.value for row in probes),
            placements=tuple(row.value for row in placements),
            curves=tuple(row.value for row in curves),
            limits=limits,
            soils=tuple(row.value for row in soils),
            crops=tuple(row.value for row in crops),
        ),
        [],
    )


def _text(path: Path, faults: list[Fault]) -> str | None:
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        faults.append(Fault(path.name, None, "", "a file of this name in the folder", "none"))
    except (OSError, UnicodeDecodeError) as problem:
        faults.append(Fault(path.name, None, "", "a readable file in UTF-8", str(problem)))
    return None


def _read_csv(
    path: Path, model: type[Model], faults: list[Fault], key: str
) -> tuple[list[Row[Model]], set[str] | None]:
    """Return the valid rows, and what stands in column `key` of every row; None where not every row can be told."""
    text = _text(path, faults)
    if text is None:
        return [], None
    reader = csv.reader(io.StringIO(text), strict=True)
    rows: list[Row[Model]] = []
    named: set[str] = set()
    try:
        header = [name.strip() for name in next(reader, [])]
        if not _header_fits(path.name, header, model, faults):
            return [], None
        column = header.index(key)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                named |= {cell.strip() for cell in cells[column : column + 1]}
                _read_row(path.name, reader.line_num, header, cells, model, rows, faults)
    except csv.Error as problem:
        faults.append(Fault(path.name, reader.line_num, "", "comma-separated values (RFC 4180)", str(problem)))
        return rows, None
    return rows, named


def _read_optional_csv(path: Path, model: type[Model], faults: list[Fault]) -> list[Row[Model]]:
    return _read_csv(path, model, faults, "site")[0] if path.parent.is_dir() and path.exists() else []


def _header_fits(name: str, header: list[str], model: type[BaseModel], faults: list[Fault]) -> bool:
    wanted = list(model.model_fields)
    missing = [column for column in wanted if column not in header and model.model_fields[column].is_required()]
    unknown = [column for column in header if column not in wanted]
    twice = sorted({column for column in header if header.count(column) > 1})
    faults += [Fault(name, 1, column, "this column in the header", "none") for column in missing]
    faults += [Fault(name, 1, column, f"one of {', '.join(wanted)}", column or "an empty name") for column in unknown]
    faults += [Fault(name, 1, column, "each column once", "it again") for column in twice if column not in unknown]
    return not (missing or unknown or twice)


def _read_row(
    name: str,
    line: int,
    header: list[str],
    cells: list[str],
    model: type[Model],
    rows: list[Row[Model]],
    faults: list[Fault],
) -> None:
    if len(cells) != len(header):
        faults.append(Fault(name, line, "", f"{len(header)} cells", f"{len(cells)}"))
        return
    told = {column: cell.strip() for column, cell in zip(header, cells, strict=True) if cell.strip()}
    try:
        rows.append(Row(line, model.model_validate(told)))
    except ValidationError as problem:
        faults += [Fault(name, line, where, expected, got) for where, expected, got in findings(problem)]


def _read_toml(path: Path, faults: list[Fault]) -> dict[str, Any] | None:
    text = _text(path, faults)
    if text is None:
        return None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        told = re.search(r"at line (\d+)", str(problem))
        faults.append(Fault(path.name, int(told[1]) if told else None, "", "TOML", str(problem)))
        return None


def _read_curves(path: Path, faults: list[Fault]) -> tuple[list[Row[Curve]], set[str] | None]:
    told = _read_toml(path, faults)
    if told is None:
        return [], None
    others = sorted(set(told) - {"curve"})
    faults += [Fault(path.name, None, key, "[[curve]] tables only", f"[{key}]") for key in others]
    tables = told.get("curve", [])
    if not isinstance(tables, list):
        faults.append(Fault(path.name, None, "curve", "[[curve]], a list of tables", "one table"))
        return [], None
    lines = _table_lines(path, "[[curve]]")
    rows = []
    for index, table in enumerate(tables):
        line = lines[index] if index < len(lines) else 1
        try:
            rows.append(Row(line, Curve.model_validate(table)))
        except ValidationError as problem:
            faults += [Fault(path.name, line, where, expected, got) for where, expected, got in findings(problem)]
    dicts = [table for table in tables if isinstance(table, dict)]
    return rows, {str(table.get("id")) for table in dicts if table.get("step") != "transducer"}


def _table_lines(path: Path, header: str) -> list[int]:
    text = path.read_text(encoding="utf-8-sig")
    return [n for n, line in enumerate(text.splitlines(), 1) if line.replace(" ", "").startswith(header)]


def _read_limits(path: Path, faults: list[Fault]) -> LimitsFile | None:
    told = _read_toml(path, faults)
    if told is None:
        return None
    probes = told.get("probe")
    if isinstance(probes, dict):
        upper = {str(name).upper(): layer for name, layer in probes.items()}
        if len(upper) < len(probes):
            faults.append(Fault(path.name, None, "probe", "each dev_eui once", "one in upper and in lower case"))
        told = {**told, "probe": upper}
    try:
        return LimitsFile.model_validate(told)
    except ValidationError as problem:
        for where, expected, got in findings(problem):
            faults.append(Fault(path.name, _key_line(path, where), where, expected, got))
        return None


def _key_line(path: Path, where: str) -> int | None:
    """Return the line of the key or table that a dotted path names or lies in; None where it is not written so.

    A number in the path counts the tables `[[...]]` of that name.
    """
    table, sought = "", _bare(f"{where}.")
    seen: Counter[str] = Counter()
    for number, line in enumerate(path.read_text(encoding="utf-8-sig").splitlines(), 1):
        written = _bare(line.split("=")[0])
        if line.lstrip().startswith("["):
            table = written
            if line.lstrip().startswith("[["):
                table, seen[written] = f"{written}.{seen[written]}", seen[written] + 1
            if f"{table}.".startswith(sought):
                return number
        elif written and sought.startswith(f"{table}.{written}.".lstrip(".")):
            return number
    return None


def _bare(name: str) -> str:
    """Return a dotted name without quotes, brackets, blanks and capitals."""
    return re.sub(r"[\s\"'\[\]]", "", name).casefold()
