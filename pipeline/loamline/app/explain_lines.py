"""The parts that an explanation is laid out with: numbered headings, indented lines, grids without borders."""

from __future__ import annotations

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from loamline.app.text import plain


def heading(step: int, text: str) -> Text:
    """Return a step's heading, a blank line before it."""
    return Text(f"\n{step}. {text}", style="bold")


def line(text: object, style: str = "") -> RenderableType:
    """Return one line of a step."""
    return Padding(plain(text, style), (0, 0, 0, 3), expand=False)


def grid(*names: str) -> Table:
    """Return an empty grid with these columns; long cells fold."""
    table = Table(*names, box=None, padding=(0, 2, 0, 0), header_style="dim")
    for column in table.columns:
        column.overflow = "fold"
    return table


def indented(table: Table) -> RenderableType:
    """Return a grid, as far in as the lines."""
    return Padding(table, (0, 0, 0, 3), expand=False)
