"""What a question gives: rows as Arrow, pandas or polars, and readings that can be drawn.

pandas and polars are optional: whoever asks for one has it.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import pyarrow as pa

from loamline.edges.drawing_style import DrawingError
from loamline.edges.moisture_drawing import draw_moisture


class NotebookError(Exception):
    """A question that can't be answered; the message says what was expected, what came and what to do next."""


class Rows:
    """A table. Its columns' units and meanings stand in the Arrow schema, and in `units` and `meanings`."""

    def __init__(self, table: pa.Table) -> None:
        self._table = table

    def __len__(self) -> int:
        return int(self._table.num_rows)

    def __repr__(self) -> str:
        return f"{type(self).__name__}: {len(self)} rows of {', '.join(self._table.column_names)}"

    @property
    def units(self) -> dict[str, str]:
        """Each column's unit, a UCUM code (dBm aside, which UCUM has not); columns of text and times have none."""
        return self._metadata(b"unit")

    @property
    def meanings(self) -> dict[str, str]:
        """Each column's meaning in a few words."""
        return self._metadata(b"meaning")

    def arrow(self) -> pa.Table:
        """Return the rows as a pyarrow.Table."""
        return self._table

    def pandas(self) -> Any:
        """Return the rows as a pandas.DataFrame, units in its `attrs`. Raises NotebookError where pandas is absent."""
        _library("pandas")
        frame = self._table.to_pandas(date_as_object=False)
        frame.attrs["units"] = self.units
        return frame

    def polars(self) -> Any:
        """Return the rows as a polars.DataFrame. Raises NotebookError where polars is absent."""
        return _library("polars").from_arrow(self._table)

    def _metadata(self, name: bytes) -> dict[str, str]:
        told = {field.name: (field.metadata or {}).get(name, b"").decode() for field in self._table.schema}
        return {column: text for column, text in told.items() if text}


class Readings(Rows):
    """Readings, which can be drawn as well."""

    def plot(self) -> Any:
        """Return a matplotlib Figure: water content with its uncertainty, verdicts by marker, zones by hatching.

        A panel each probe and depth. Raises NotebookError for no readings, for too many panels and for other units.
        """
        try:
            return draw_moisture(self._table)
        except DrawingError as problem:
            raise NotebookError(str(problem)) from None


def _library(name: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        raise NotebookError(
            f"expected {name} to be installed, found none: `pip install {name}`, or take .arrow(), which needs no more"
        ) from None
