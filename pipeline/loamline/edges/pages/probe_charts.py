"""The two charts of a probe's page: water content by depth; and temperature, supply and link under one axis of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from loamline.core.rfc3339 import rfc3339
from loamline.edges.pages import charts, traces
from loamline.edges.pages.charts import Chart, Event, Panel, Zones
from loamline.edges.pages.words import verdict_words
from loamline.edges.store.page_places import Bounds
from loamline.edges.store.page_series import Link, Stretch, stretch_hours
from loamline_schemas.verdicts import Verdict

_DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
_FAILED = (Verdict.FAIL.word, Verdict.MISSING.word)


@dataclass(frozen=True)
class Frame:
    """What both charts share: whose they are, the span, the site's zone, and what happened meanwhile."""

    dev_eui: str
    span: tuple[datetime, datetime]
    zone: str | None
    events: Sequence[Event]


def reading_link(dev_eui: str, at: datetime, depth_index: int) -> str:
    """Return the path of a reading's derivation, below the pages' own root."""
    return f"/probes/{quote(dev_eui)}/reading?at={quote(rfc3339(at))}&depth={depth_index}"


def moisture(by_depth: Mapping[int, Sequence[Stretch]], bounds: Mapping[int, Bounds], frame: Frame) -> Chart:
    """Return water content, one panel a depth, with its uncertainty band and the verdicts marked on it."""
    shown: set[str] = set()
    panels = []
    for depth, rows in by_depth.items():
        panels.append(_panel(depth, rows, bounds.get(depth), frame, shown))
    told = "; ".join(_sentence(depth, rows) for depth, rows in by_depth.items())
    return charts.chart(
        "moisture", f"Water content in m³/m³ by depth. {told}.", panels, frame.span, frame.zone, frame.events
    )


def depth_name(rows: Sequence[Stretch], depth: int) -> str:
    """Return a depth as people call it."""
    cm = rows[-1].depth_cm if rows else None
    return f"depth {depth}, not placed" if cm is None else f"{cm:g} cm"


def _sentence(depth: int, rows: Sequence[Stretch]) -> str:
    known = [row for row in rows if row.vwc_max_m3_m3 is not None]
    bad = sum(row.gravest not in ("pass", "not_evaluated") for row in rows)
    name = depth_name(rows, depth)
    if not known:
        return f"{name}: no figure that counts, {bad} of {len(rows)} points marked"
    low = min(row.vwc_min_m3_m3 or 0.0 for row in known)
    high = max(row.vwc_max_m3_m3 or 0.0 for row in known)
    last = known[-1].vwc_max_m3_m3 or 0.0
    return f"{name}: from {low:.3f} to {high:.3f}, {last:.3f} at the end, {bad} of {len(rows)} points marked"


def _panel(depth: int, rows: Sequence[Stretch], bounds: Bounds | None, frame: Frame, shown: set[str]) -> Panel:
    x: list[str] = []
    y: list[float | None] = []
    low: list[float | None] = []
    high: list[float | None] = []
    text: list[str] = []
    links: list[str] = []
    for row in rows:
        # The line goes through the least and the greatest of a stretch, so that no peak is drawn away.
        ends = {row.vwc_min_m3_m3, row.vwc_max_m3_m3} if row.vwc_min_m3_m3 is not None else {None}
        spread = row.vwc_uncertainty_m3_m3
        none = row.vwc_min_m3_m3 is None or spread is None
        y += sorted(ends, key=lambda told: told or 0.0)
        low += [None if none else (row.vwc_min_m3_m3 or 0.0) - (spread or 0.0)] * len(ends)
        high += [None if none else (row.vwc_max_m3_m3 or 0.0) + (spread or 0.0)] * len(ends)
        x += [charts.wall(row.at, frame.zone)] * len(ends)
        text += [_hover(row, frame)] * len(ends)
        links += [reading_link(frame.dev_eui, row.at, depth)] * len(ends)
    drawn = [
        *traces.band("standard uncertainty", x, low, high, legend="band" not in shown),
        traces.line(
            "water content", x, y, text=text, links=links, legend="band" not in shown, steps="band" not in shown
        ),
    ]
    floor, ceiling = _range(rows, low, high, bounds)
    shown.add("band")
    for word in traces.MARKS:
        marked = [row for row in rows if row.gravest == word]
        if marked:
            heights = [_height(row, floor, ceiling) for row in marked]
            drawn.append(
                traces.marks(
                    word,
                    [charts.wall(row.gravest_at, frame.zone) for row in marked],
                    heights,
                    [_hover(row, frame) for row in marked],
                    [reading_link(frame.dev_eui, row.gravest_at, depth) for row in marked],
                    legend=word not in shown,
                )
            )
            shown.add(word)
    zones = None if bounds is None else Zones(floor, bounds.deficit_below, bounds.excess_above, ceiling)
    return Panel(depth_name(rows, depth), "m³/m³", drawn, zones, (floor, ceiling))


def _height(row: Stretch, floor: float, ceiling: float) -> float:
    """Return where a mark stands: at its figure, or at the foot of the panel where it has none or lies beyond."""
    figure = row.gravest_vwc_m3_m3
    foot = floor + 0.05 * (ceiling - floor)
    return foot if figure is None else min(max(figure, foot), ceiling - 0.05 * (ceiling - floor))


def _range(
    rows: Sequence[Stretch], low: Sequence[float | None], high: Sequence[float | None], bounds: Bounds | None
) -> tuple[float, float]:
    figures = [value for value in (*low, *high) if value is not None]
    figures += [value for row in rows for value in (row.vwc_min_m3_m3, row.vwc_max_m3_m3) if value is not None]
    figures += [
        row.gravest_vwc_m3_m3 for row in rows if row.gravest_vwc_m3_m3 is not None and 0 <= row.gravest_vwc_m3_m3 <= 0.7
    ]
    if bounds is not None:
        figures += [bounds.deficit_below, bounds.excess_above]
    if not figures:
        return 0.0, 0.6
    pad = 0.08 * (max(figures) - min(figures) or 0.05)
    return max(0.0, min(figures) - pad), max(figures) + pad


def _hover(row: Stretch, frame: Frame) -> str:
    at = charts.wall(row.at, frame.zone)
    if row.vwc_min_m3_m3 is None:
        figure = "no figure that counts"
    elif row.readings == 1 or row.vwc_min_m3_m3 == row.vwc_max_m3_m3:
        figure = f"{row.vwc_min_m3_m3:.3f} m³/m³"
    else:
        figure = f"{row.vwc_min_m3_m3:.3f} to {row.vwc_max_m3_m3:.3f} m³/m³"
    spread = "" if row.vwc_uncertainty_m3_m3 is None else f" ± {row.vwc_uncertainty_m3_m3:.3f}"
    many = "" if row.readings == 1 else f", {row.readings} readings"
    depth = "" if row.depth_cm is None else f"{row.depth_cm:g} cm: "
    return f"{depth}{figure}{spread}<br>{verdict_words(row.gravest)}{many}<br>{at} ({rfc3339(row.at)[:16]}Z)"


def others(by_depth: Mapping[int, Sequence[Stretch]], radio: Sequence[Link], frame: Frame) -> Chart:
    """Return temperature of every depth, supply, margin, and uplinks lost."""
    panels = []
    warm = [
        traces.line(
            f"{depth_name(rows, depth)}",
            [charts.wall(row.at, frame.zone) for row in rows],
            [row.soil_temperature_degc for row in rows],
            text=[
                f"{depth_name(rows, depth)}: {row.soil_temperature_degc:.1f} °C"
                if row.soil_temperature_degc is not None
                else ""
                for row in rows
            ],
            dash=_DASHES[number % len(_DASHES)],
            legend=True,
        )
        for number, (depth, rows) in enumerate(by_depth.items())
        if any(row.soil_temperature_degc is not None for row in rows)
    ]
    if warm:
        panels.append(Panel("Soil temperature", "°C", warm))
    supply = next(iter(by_depth.values()), [])
    if any(row.supply_v is not None for row in supply):
        x = [charts.wall(row.at, frame.zone) for row in supply]
        volts = [row.supply_v for row in supply]
        text = ["" if told is None else f"{told:.2f} V" for told in volts]
        panels.append(Panel("Supply, lowest of each stretch", "V", [traces.line("supply", x, volts, text=text)]))
    if radio:
        x = [charts.wall(link.at, frame.zone) for link in radio]
        text = ["" if link.margin_db is None else f"{link.margin_db:.1f} dB" for link in radio]
        panels.append(
            Panel(
                "Margin over the demodulation floor, median",
                "dB",
                [traces.line("margin", x, [link.margin_db for link in radio], text=text)],
            )
        )
        gaps = [link for link in radio if link.lost]
        lost = traces.bars(
            "lost, by gaps of the frame counter",
            [charts.wall(link.at, frame.zone) for link in gaps],
            [float(link.lost) for link in gaps],
            [f"{link.lost} lost, {link.heard} heard" for link in gaps],
            hours=stretch_hours(*frame.span),
        )
        top = max((link.lost for link in gaps), default=1)
        panels.append(Panel("Uplinks lost", "uplinks", [lost], None, (0, top * 1.15)))
    sentence = (
        "Soil temperature, supply voltage, radio margin and uplinks lost over the same span; see the table below."
    )
    return charts.chart("state", sentence, panels, frame.span, frame.zone, frame.events)
