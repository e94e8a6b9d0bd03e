"""One row more for the probes.csv of a registry folder; everything in it stays as it was written."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

from loamline_schemas.registry import ProbeRow


class ProbesFileError(Exception):
    """A file that can't take the row; the message says what was expected, what came and where."""


def append_probe(path: Path, row: ProbeRow) -> int:
    """Append a probe's record in the order of the file's own columns; return its line.

    Raises ProbesFileError, and writes nothing, where the file is none of probes, has no column for a figure of the
    row, or knows its dev_eui or serial.
    """
    try:
        # Line ends as they are, so that the new one is like them.
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = file.read()
    except FileNotFoundError:
        raise ProbesFileError(f"expected probes.csv in {path.parent}, found none") from None
    except (OSError, UnicodeDecodeError) as problem:
        raise ProbesFileError(f"expected a readable file in UTF-8 at {path}, got {problem}") from None
    told = {name: "" if value is None else str(value) for name, value in row.model_dump().items()}
    header, rows = _read(path, text)
    _refuse_strange_header(path, header, {name for name, value in told.items() if value})
    for line, cells in rows:
        for name in ("dev_eui", "serial"):
            at = header.index(name)
            if at < len(cells) and cells[at].strip().casefold() == told[name].casefold():
                raise ProbesFileError(f"{path.name}:{line}: {name}: expected a new probe, got {told[name]} again")
    end = "\r\n" if "\r\n" in text else "\n"
    content = io.StringIO()
    csv.writer(content, lineterminator=end).writerow([told.get(name, "") for name in header])
    start = "" if text.endswith(("\n", "\r")) else end
    try:
        with path.open("ab") as file:
            file.write((start + content.getvalue()).encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as problem:
        raise ProbesFileError(f"expected to write {path}, got {problem.strerror}") from None
    return len((text + start).splitlines()) + 1


def _read(path: Path, text: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [name.strip() for name in next(reader, [])]
        return header, [(reader.line_num, cells) for cells in reader]
    except csv.Error as problem:
        raise ProbesFileError(
            f"{path.name}:{reader.line_num}: expected comma-separated values (RFC 4180), got {problem}"
        ) from None


def _refuse_strange_header(path: Path, header: list[str], needed: set[str]) -> None:
    missing = sorted(needed - set(header))
    strange = sorted(set(header) - set(ProbeRow.model_fields))
    if missing:
        raise ProbesFileError(f"{path.name}:1: expected the column {missing[0]} in the header, got none")
    if strange or len(set(header)) < len(header):
        got = ", ".join(header)
        raise ProbesFileError(
            f"{path.name}:1: expected {', '.join(ProbeRow.model_fields)} each at most once, got {got}"
        )
