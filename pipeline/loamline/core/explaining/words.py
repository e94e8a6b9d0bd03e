"""How an explanation writes numbers and instants."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from loamline.core.rfc3339 import rfc3339

#: A part of an explanation, ready for JSON but for its instants.
Fields = dict[str, Any]


def number(figure: float | None) -> str:
    """Return a figure with all its digits: the shortest text that reads back the same."""
    if figure is None:
        return "none"
    return str(int(figure)) if float(figure).is_integer() and abs(figure) < 1e15 else repr(float(figure))


def signed(figure: float) -> str:
    """Return a figure as a factor or term stands in a formula: in brackets where it is negative."""
    return f"({number(figure)})" if figure < 0 else number(figure)


def shown(at: datetime) -> str:
    """Return an instant as it stands in a sentence."""
    return rfc3339(at)
