"""One thing wrong with a registry folder, and the place where a row stands in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from pydantic import BaseModel

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a registry folder. `line` is None where it concerns a whole file."""

    file: str
    line: int | None
    column: str
    expected: str
    got: str

    def __str__(self) -> str:
        """Return the fault as one line for a person."""
        place = f"{self.file}:{self.line}" if self.line is not None else self.file
        column = f" {self.column}:" if self.column else ""
        return f"{place}:{column} expected {self.expected}" + (f", got {self.got}" if self.got else "")


@dataclass(frozen=True)
class Row(Generic[Model]):
    """One valid row and where it stands."""

    line: int
    value: Model


def since(instant: datetime | None) -> str:
    """Return in words when a row begins."""
    return "ever" if instant is None else instant.isoformat()
