"""A curve from a command's options, validated as loading a registry folder does, and added to one."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from loamline.app.output import CommandError, console
from loamline.edges.curves_file import CurvesFileError, append_curve, checked_addition
from loamline.edges.sentences import sentence
from loamline_schemas.curves import Curve


def declared(**told: Any) -> Curve:
    """Return the curve of the fields that were told; CommandError in the words of loading."""
    try:
        return Curve.model_validate({name: value for name, value in told.items() if value is not None})
    except ValidationError as problem:
        raise CommandError(f"{sentence(problem)}; nothing was written", 2) from None


def numbers(text: str, option: str) -> list[float]:
    """Return the numbers of an option, separated by commas or blanks; CommandError where one is none."""
    found = []
    for part in text.replace(",", " ").split():
        try:
            found.append(float(part))
        except ValueError:
            raise CommandError(
                f"{option}: expected numbers separated by commas, such as 0.018,0.0272,-4e-4, got {part!r}; "
                "nothing was written",
                2,
            ) from None
    return found


def check_addition(folder: Path, curve: Curve) -> None:
    """Raise CommandError where a folder's curves.toml can't take a curve."""
    try:
        checked_addition(folder, curve)
    except CurvesFileError as problem:
        raise CommandError(f"{problem}; nothing was written") from None


def add_to(folder: Path, curve: Curve) -> int:
    """Append a curve to a folder's curves.toml and return its line; CommandError where it is refused."""
    try:
        return append_curve(folder, curve)
    except CurvesFileError as problem:
        raise CommandError(f"{problem}; nothing was written") from None


def print_next(folder: Path, curve: Curve, line: int) -> None:
    """Say what was written and what comes next."""
    told = shlex.quote(str(folder))
    console.print(
        f"added {curve.id} as line {line} of {folder / 'curves.toml'}. Readings stay as they are until the folder is "
        "loaded, and stored ones until they are replayed. Next:\n"
        f"  loamline registry load {told} --store FILE\n"
        "  loamline replay plan --store FILE",
        markup=False,
        soft_wrap=True,
    )
