"""One curve more for the curves.toml of a registry folder; everything in it stays as it was written, byte for byte."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from loamline.core.explaining.words import number, shown
from loamline.edges.registry_folder import read_registry
from loamline_schemas.curves import Curve

_FILE = "curves.toml"
#: Wider lists are written a row an entry.
_WIDEST = 100


class CurvesFileError(Exception):
    """A file that can't take the curve; the message says what was expected, what came and where."""


def curve_toml(curve: Curve) -> str:
    """Return a curve as a `[[curve]]` entry that reads back as the same curve, digest and all."""
    told = curve.model_dump(by_alias=True, exclude_none=True)
    told = {name: value for name, value in told.items() if value != ()}
    told["valid_from"] = shown(curve.valid_from)
    lines = ["[[curve]]"]
    for name, value in told.items():
        lines.append(f"{name} = {value if name == 'valid_from' else _toml(value)}")
    return "\n".join(lines) + "\n"


def append_curve(folder: Path, curve: Curve) -> int:
    """Append a curve to the folder's curves.toml; return the line where its entry begins.

    Raises CurvesFileError as `checked_addition` does, or where the file can't be written.
    """
    addition, line = checked_addition(folder, curve)
    path = folder / _FILE
    try:
        with path.open("ab") as file:
            file.write(addition)
            file.flush()
            os.fsync(file.fileno())
    except OSError as problem:
        raise CurvesFileError(f"expected to write {path}, got {problem.strerror}") from None
    return line


def checked_addition(folder: Path, curve: Curve) -> tuple[bytes, int]:
    """Return what to append to the folder's curves.toml, and the line where the entry begins; write nothing.

    The file is checked as loading it would, with the new entry in place. Raises CurvesFileError where it has a fault
    of its own, or the new curve stands against one that it holds.
    """
    path = folder / _FILE
    try:
        before = path.read_bytes()
    except FileNotFoundError:
        raise CurvesFileError(f"expected {_FILE} in {folder}, found none; make an empty one to begin with") from None
    except OSError as problem:
        raise CurvesFileError(f"expected a readable file at {path}, got {problem.strerror}") from None
    addition = _addition(before, curve_toml(curve))
    # Where the entry begins is known by the bytes before it: TOML ends lines with a line feed only.
    line = (before + addition[: addition.index(b"[[")]).count(b"\n") + 1
    _refuse_faults(before + addition, line)
    return addition, line


def _addition(before: bytes, entry: str) -> bytes:
    """Return the entry with the file's own line ends, a blank line before it."""
    end = "\r\n" if b"\r\n" in before else "\n"
    bare = before.removeprefix(b"\xef\xbb\xbf").strip() == b""
    start = "" if bare else end if before.endswith(b"\n") else 2 * end
    return (start + entry.replace("\n", end)).encode()


def _refuse_faults(content: bytes, line: int) -> None:
    """Raise the faults that loading would find in a curves.toml of this content."""
    with tempfile.TemporaryDirectory() as alone:
        (Path(alone) / _FILE).write_bytes(content)
        # The other files are absent here, and their faults not ours: they say nothing about curves.
        faults = [fault for fault in read_registry(Path(alone))[1] if fault.file == _FILE]
    if not faults:
        return
    told = []
    for fault in faults:
        where = str(fault) if fault.line != line else str(fault).removeprefix(f"{_FILE}:{line}: ")
        told.append(where)
    raise CurvesFileError("; ".join(told))


def _toml(value: object) -> str:
    if isinstance(value, list | tuple):
        parts = [_toml(one) for one in value]
        flat = f"[{', '.join(parts)}]"
        rows = "".join(f"  {part},\n" for part in parts)
        return flat if len(flat) <= _WIDEST else f"[\n{rows}]"
    if isinstance(value, float | int):
        return number(value)
    # A JSON string is a TOML basic string, but for the one control character that JSON lets pass.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
