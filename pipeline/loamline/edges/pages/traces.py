"""The traces of a chart as plain data: lines, bands, marks of verdicts, bars."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

INK, SOFT, RULE, ACCENT, BAND, PAPER = (f"var(--{name})" for name in ("ink", "soft", "rule", "accent", "band", "paper"))

#: How each verdict is marked on a line: shape, and the word in the legend. A pass is the line itself.
MARKS: Mapping[str, tuple[str, str]] = {
    "fail": ("x-thin-open", "fail"),
    "suspect": ("triangle-up-open", "suspect"),
    "missing": ("line-ns-open", "missing"),
    "not_evaluated": ("circle-open", "not evaluated"),
}


def line(
    name: str, x: Sequence[str], y: Sequence[float | None], *, ink: str = INK, dash: str = "solid", **more: Any
) -> dict[str, Any]:
    """Return a line; gaps where there is no figure. `text` and `links` tell each point, `steps` that keys walk it."""
    text, links, steps = more.get("text"), more.get("links"), more.get("steps", False)
    told: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": list(x),
        "y": rounded(y),
        "showlegend": more.get("legend", False),
        "line": {"color": ink, "width": more.get("width", 1.6), "dash": dash},
        "connectgaps": False,
        "hoverinfo": "text" if text else "skip",
    }
    if text:
        told["text"] = list(text)
    if links:
        told["customdata"] = list(links)
    if steps:
        told["meta"] = "steps"
    return told


def band(
    name: str, x: Sequence[str], low: Sequence[float | None], high: Sequence[float | None], *, legend: bool = False
) -> list[dict[str, Any]]:
    """Return a band between two lines, in pieces where figures are absent."""
    pieces: list[list[tuple[str, float, float]]] = [[]]
    for at, under, over in zip(x, low, high, strict=True):
        if under is not None and over is not None:
            pieces[-1].append((at, round(under, 5), round(over, 5)))
        elif pieces[-1]:
            pieces.append([])
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "fill": "toself",
            "fillcolor": BAND,
            "line": {"width": 0, "color": BAND},
            "x": [*(at for at, _, _ in piece), *(at for at, _, _ in reversed(piece))],
            "y": [*(under for _, under, _ in piece), *(over for _, _, over in reversed(piece))],
            "hoverinfo": "skip",
            "showlegend": legend and number == 0,
        }
        for number, piece in enumerate(pieces)
        if piece
    ]


def marks(
    word: str, x: Sequence[str], y: Sequence[float | None], text: Sequence[str], links: Sequence[str], *, legend: bool
) -> dict[str, Any]:
    """Return the marks of one verdict."""
    shape, told = MARKS[word]
    ink = ACCENT if word in ("fail", "suspect") else SOFT
    return {
        "type": "scatter",
        "mode": "markers",
        "name": told,
        "x": list(x),
        "y": rounded(y),
        "text": list(text),
        "customdata": list(links),
        "hoverinfo": "text",
        "showlegend": legend,
        "marker": {"symbol": shape, "size": 9, "color": ink, "line": {"color": ink, "width": 1.6}},
    }


def bars(
    name: str,
    x: Sequence[str],
    y: Sequence[float | None],
    text: Sequence[str],
    *,
    hours: float,
    pattern: str = "",
    ink: str = SOFT,
) -> dict[str, Any]:
    """Return bars, each so many hours wide, hatched where a pattern is named."""
    return {
        "type": "bar",
        "name": name,
        "x": list(x),
        "y": rounded(y),
        "text": list(text),
        "hoverinfo": "text",
        "textposition": "none",
        "width": hours * 3_600_000,
        "marker": {
            "color": ink,
            "line": {"width": 0},
            "pattern": {"shape": pattern, "fgcolor": ink, "bgcolor": PAPER, "size": 5, "solidity": 0.4},
        },
        "showlegend": True,
    }


def rounded(values: Sequence[float | None]) -> list[float | None]:
    """Return figures with as many digits as a drawing shows."""
    return [None if value is None else round(value, 5) for value in values]
