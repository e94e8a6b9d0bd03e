"""What a store in a notebook can be asked, wherever it stands."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any, TypeVar

import typer

from loamline.app.instants import instant
from loamline.app.notebook.rows import NotebookError, Readings, Rows
from loamline.core.moisture_units import MoistureUnit

#: A time as people give it: an instant with its offset, a date (its midnight in UTC), or either as RFC 3339.
When = str | date | datetime
_Word = TypeVar("_Word", bound=StrEnum)


class Resolution(StrEnum):
    """How fine readings are told."""

    RAW = "raw"
    HOURLY = "hourly"
    DAILY = "daily"


@dataclass(frozen=True)
class Question:
    """Which readings, and how they are told; `since` is included, `until` is not."""

    site: str | None
    probe: str | None
    depth: int | None
    since: datetime | None
    until: datetime | None
    resolution: Resolution
    unit: MoistureUnit


class NotebookStore(ABC):
    """Readings, sites, probes and placements, for reading only."""

    def readings(
        self,
        *,
        site: str | None = None,
        probe: str | None = None,
        depth: int | None = None,
        since: When | None = None,
        until: When | None = None,
        resolution: str = "raw",
        unit: str = "m3/m3",
    ) -> Readings:
        """Return readings in order of dev_eui, depth_index and time. Raises NotebookError.

        `probe` is a dev_eui or serial, `depth` a depth_index (0 the shallowest), `since` is included, `until` is not.
        `resolution` is raw, hourly (UTC) or daily (by the site's clock): means without readings that failed. `unit`
        is m3/m3, percent, plant_available_fraction (that alone) or mm (water from the surface to the root depth, a row
        a probe and hour or day, of all its depths together).
        """
        question = Question(
            site,
            probe,
            _depth(depth),
            _instant("since", since),
            _instant("until", until),
            _word(Resolution, "resolution", resolution),
            _word(MoistureUnit, "unit", unit),
        )
        if question.unit is MoistureUnit.MM and question.resolution is Resolution.RAW:
            raise NotebookError("resolution: expected hourly or daily beside unit='mm', got raw")
        if question.unit is MoistureUnit.MM and question.depth is not None:
            raise NotebookError(f"depth: expected none beside unit='mm', which is of all depths together, got {depth}")
        return self._readings(question)

    def plot(self, **question: Any) -> Any:
        """Return a matplotlib Figure of readings; takes what `readings` takes but the unit. Raises NotebookError."""
        return self.readings(**question).plot()

    @abstractmethod
    def sites(self) -> Rows:
        """Return the sites, by name."""

    @abstractmethod
    def probes(self) -> Rows:
        """Return every probe that was heard or registered, by dev_eui."""

    @abstractmethod
    def placements(self) -> Rows:
        """Return which depth of which probe sat where, from when to when, as the registry says now."""

    @abstractmethod
    def _readings(self, question: Question) -> Readings: ...


def _depth(depth: int | None) -> int | None:
    # A notebook is not type-checked: 10.0 and "10" come, and True counts as 1.
    told: Any = depth
    if depth is not None and (type(told) is not int or not 0 <= depth <= 255):
        raise NotebookError(f"depth: expected a depth_index such as 0, the shallowest, got {depth!r}")
    return depth


def _instant(name: str, told: When | None) -> datetime | None:
    if told is None:
        return None
    if isinstance(told, datetime) and told.tzinfo is not None:
        return told.astimezone(UTC)
    try:
        return instant(told if isinstance(told, str) else told.isoformat())
    except typer.BadParameter as problem:
        raise NotebookError(f"{name}: {problem}") from None


def _word(words: type[_Word], name: str, told: str) -> _Word:
    try:
        return words(told)
    except ValueError:
        raise NotebookError(f"{name}: expected {', '.join(words)}, got {told!r}") from None
