"""Charts as plain data: what plotly's JavaScript draws, in named inks that the style sheet gives their colours.

An ink is written `var(--name)`; the script in the browser looks it up, so that a chart follows light and dark. Zones
and verdicts differ by pattern and shape, and bear their words. Instants are wall-clock texts of the site.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from html import escape
from typing import Any

from loamline.edges.pages.traces import ACCENT, INK, PAPER, RULE, SOFT
from loamline.edges.pages.words import zone_of

#: Height of one panel and of what stands around them, pixels.
_PANEL, _AROUND = 186, 104


@dataclass(frozen=True)
class Zones:
    """Between which figures a panel's zones lie; words and patterns are always the same."""

    low: float
    deficit_below: float
    excess_above: float
    high: float


@dataclass(frozen=True)
class Panel:
    """One panel: its name, unit and traces (made by `line`, `band` and `marks`), zones, and range of its axis."""

    name: str
    unit: str
    traces: Sequence[Mapping[str, Any]]
    zones: Zones | None = None
    range: tuple[float, float] | None = None


@dataclass(frozen=True)
class Event:
    """Something that happened at an instant: a placement, a revision; drawn through every panel."""

    at: datetime
    text: str


@dataclass(frozen=True)
class Chart:
    """What a chart draws, and one sentence that says the same to who does not see it."""

    name: str
    sentence: str
    figure: Mapping[str, Any] = field(repr=False)
    height: int = 0


def wall(at: datetime, zone: str | None) -> str:
    """Return an instant as the wall clock of a zone shows it, for an axis."""
    return f"{at.astimezone(zone_of(zone)):%Y-%m-%d %H:%M:%S}"


def chart(
    name: str,
    sentence: str,
    panels: Sequence[Panel],
    span: tuple[datetime, datetime],
    zone: str | None,
    events: Sequence[Event] = (),
) -> Chart:
    """Return panels under one another with one axis of time."""
    data: list[dict[str, Any]] = []
    ends = [wall(at, zone) for at in span]
    layout: dict[str, Any] = {
        "margin": {"l": 62, "r": 66 if any(panel.zones for panel in panels) else 14, "t": 58, "b": 44},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": INK, "size": 12},
        "hovermode": "closest",
        "dragmode": False,
        "barmode": "stack",
        "bargap": 0.1,
        "hoverlabel": {"bgcolor": PAPER, "bordercolor": INK, "font": {"color": INK}, "align": "left"},
        "legend": {
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": 1.0,
            "yanchor": "top",
            "yref": "container",
            "bgcolor": "rgba(0,0,0,0)",
            "itemclick": False,
            "itemdoubleclick": False,
            "traceorder": "normal",
        },
        "shapes": [],
        "annotations": [],
        "xaxis": _axis(range=ends, anchor="free", position=0, showgrid=True, type="date"),
    }
    gap = 0.12 / max(len(panels), 1) + (0.03 if len(panels) > 1 else 0)
    tall = (1 - gap * (len(panels) - 1)) / len(panels)
    for number, panel in enumerate(panels):
        axis = "y" if number == 0 else f"y{number + 1}"
        top = 1 - number * (tall + gap)
        told = {"title": {"text": panel.unit, "font": {"size": 12, "color": SOFT}, "standoff": 6}}
        layout["yaxis" + axis[1:]] = _axis(domain=[max(0.0, top - tall), top], nticks=6, **told)
        if panel.range is not None:
            layout["yaxis" + axis[1:]]["range"] = list(panel.range)
        if panel.zones is not None:
            data += [{**told, "yaxis": axis} for told in _zones(panel.zones, ends)]
            layout["annotations"] += _zone_words(panel.zones, axis)
        data += [{**told, "yaxis": axis} for told in panel.traces]
        layout["annotations"].append(
            {
                "text": f"<b>{escape(panel.name)}</b>",
                "x": 0,
                "xref": "paper",
                "xanchor": "left",
                "y": top,
                "yref": "paper",
                "yanchor": "bottom",
                "showarrow": False,
                "font": {"size": 12, "color": INK},
            }
        )
    for event in events:
        at = wall(event.at, zone)
        layout["shapes"].append(
            {
                "type": "line",
                "x0": at,
                "x1": at,
                "y0": 0,
                "y1": 1,
                "yref": "paper",
                "line": {"color": ACCENT, "width": 1.2, "dash": "dot"},
            }
        )
        layout["annotations"].append(
            {
                "text": escape(event.text),
                "x": at,
                "y": 1,
                "yref": "paper",
                "yanchor": "top",
                "xanchor": "left",
                "textangle": 90,
                "showarrow": False,
                "font": {"size": 11, "color": ACCENT},
            }
        )
    height = _AROUND + _PANEL * len(panels)
    return Chart(name, sentence, {"data": data, "layout": {**layout, "height": height}}, height)


def _axis(**more: Any) -> dict[str, Any]:
    return {
        "color": INK,
        "linecolor": INK,
        "gridcolor": RULE,
        "zeroline": False,
        "showline": True,
        "ticks": "outside",
        "tickcolor": INK,
        "fixedrange": True,
        "automargin": False,
        **more,
    }


def _zones(zones: Zones, ends: Sequence[str]) -> list[dict[str, Any]]:
    told = (("/", zones.low, zones.deficit_below), (".", zones.excess_above, zones.high))
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": [ends[0], ends[1], ends[1], ends[0]],
            "y": [low, low, high, high],
            "fill": "toself",
            "fillpattern": {
                "shape": shape,
                "fgcolor": RULE,
                "bgcolor": "rgba(0,0,0,0)",
                "size": 7,
                "solidity": 0.25,
                "fillmode": "replace",
            },
            "line": {"width": 0, "color": RULE},
            "hoverinfo": "skip",
            "showlegend": False,
        }
        for shape, low, high in told
        if high > low
    ]


def _zone_words(zones: Zones, axis: str) -> list[dict[str, Any]]:
    told = (
        ("deficit", zones.low, zones.deficit_below),
        ("adequate", zones.deficit_below, zones.excess_above),
        ("excess", zones.excess_above, zones.high),
    )
    return [
        {
            "text": f"<i>{word}</i>",
            "x": 1.0,
            "xref": "paper",
            "xanchor": "left",
            "xshift": 5,
            "y": (low + high) / 2,
            "yref": axis,
            "showarrow": False,
            "font": {"size": 11.5, "color": SOFT},
        }
        for word, low, high in told
        if high - low > 0.1 * (zones.high - zones.low)
    ]
