"""One site: water of the root zone, each depth over time, and where it grew wetter or drier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from loamline.core.columns import HOUR_US, instant
from loamline.edges.pages import charts, traces
from loamline.edges.pages.asked import SPANS, Asked, Page, missing
from loamline.edges.pages.charts import Chart, Panel, Zones
from loamline.edges.pages.download import FORMATS, may_download
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.page_places import Bounds, PlacedAt, site_seen
from loamline.edges.store.page_series import newest_reading, stretch_hours
from loamline.edges.store.page_water import DepthStretch, StorageStretch, water_of
from loamline.edges.store.radio import microseconds

#: A depth is told to grow wetter or drier where its daily mean moves by more than this; under it lie noise and the
#: daily swing of warm sensors. A wetting is a rise of this much within a day. Common practice.
STEADY_M3_M3, WETTING_M3_M3 = 0.004, 0.02
_DAY = timedelta(days=1)
#: Depths that have a panel of their own; more stand in the table.
_MOST_PANELS = 8


@dataclass(frozen=True)
class Standing:
    """One depth now: mean of the last day, its change over one and over seven days, the zone's word."""

    depth_cm: float
    vwc_m3_m3: float
    plant_available_fraction: float | None
    day_change: float | None
    week_change: float | None
    word: str
    zone: str | None


@dataclass(frozen=True)
class Wetting:
    """One rise of one depth within a day or some: from when to when, and from what to what, m3/m3."""

    depth_cm: float
    since: datetime
    until: datetime
    low: float
    high: float


def show(asked: Asked) -> Page:
    """Return the page of a site. Raises PageError (404) for one that may not be seen."""
    name = asked.path["site"]
    site = site_seen(asked.store, asked.customer, name)
    if site is None:
        raise missing("site", name, "The first page lists them.")
    newest = _newest(asked, name)
    since, until, days = asked.span(30, newest)
    zone = site["time_zone"]
    wanted = Wanted(customer=asked.customer, site=name, since=since, until=until)
    water = water_of(asked.store, wanted)
    depths, storage = water.depths, water.storage
    placed = PlacedAt(asked.store, asked.customer, name, until - timedelta(seconds=1))
    excerpt = asked.excerpt(placed.count_probes())
    bounds = placed.bounds()
    by_depth = {depth: list(rows) for depth, rows in groupby(depths, key=lambda row: row.depth_cm)}
    hours = stretch_hours(since, until)
    told: dict[str, Any] = {
        "site": site,
        "zone": zone,
        "newest": newest,
        "since": since,
        "until": until,
        "days": days,
        "spans": SPANS,
        "may_download": may_download(asked),
        "formats": FORMATS,
        "hours": hours,
        "probes": placed.probes(excerpt.start, excerpt.size),
        "excerpt": excerpt,
        "standing": [_standing(depth, rows, bounds.get(depth)) for depth, rows in by_depth.items()],
        "wettings": sorted(
            (w for d, rows in by_depth.items() for w in wettings(d, rows)), key=lambda w: w.since, reverse=True
        )[:40],
        "bounds": bounds,
        "storage": storage,
        "storage_chart": _storage_chart(storage, (since, until), zone) if storage else None,
        "depth_chart": _depth_chart(by_depth, bounds, (since, until), zone) if by_depth else None,
        "by_depth": by_depth,
        "by_time": _by_time(depths, hours),
        "verdicts": water.verdicts,
        "steady": STEADY_M3_M3,
        "wetting": WETTING_M3_M3,
    }
    return Page("site.html.jinja", name, told)


def _newest(asked: Asked, site: str) -> datetime | None:
    """Return the newest reading of a site: of a day, or of a year where that has none."""
    year_ago, likely = (asked.now - timedelta(days=days) for days in (366, 2))
    wanted = Wanted(customer=asked.customer, site=site, since=year_ago, until=asked.now)
    return newest_reading(asked.store, wanted, [likely])


def wettings(depth_cm: float, rows: Sequence[DepthStretch]) -> list[Wetting]:
    """Return the rises of a depth's mean by WETTING_M3_M3 or more within a day, those that hang together as one."""
    told: list[Wetting] = []
    start = 0
    for row in rows:
        while rows[start].at < row.at - _DAY:
            start += 1
        before = min((one for one in rows[start:] if one.at <= row.at), key=lambda one: one.vwc_mean_m3_m3)
        if row.vwc_mean_m3_m3 - before.vwc_mean_m3_m3 < WETTING_M3_M3:
            continue
        if told and before.at <= told[-1].until:
            if row.vwc_mean_m3_m3 > told[-1].high:
                told[-1] = Wetting(depth_cm, told[-1].since, row.at, told[-1].low, row.vwc_mean_m3_m3)
        else:
            told.append(Wetting(depth_cm, before.at, row.at, before.vwc_mean_m3_m3, row.vwc_mean_m3_m3))
    return told


def _standing(depth_cm: float, rows: Sequence[DepthStretch], bounds: Bounds | None) -> Standing:
    end = rows[-1].at
    now, yesterday, week = (
        _mean([row for row in rows if end - (back + 1) * _DAY < row.at <= end - back * _DAY]) for back in (0, 1, 7)
    )
    now = rows[-1].vwc_mean_m3_m3 if now is None else now
    day = None if yesterday is None else now - yesterday
    word = "not told" if day is None else "steady" if abs(day) < STEADY_M3_M3 else "wetter" if day > 0 else "drier"
    zone = None
    if bounds is not None:
        zone = "deficit" if now < bounds.deficit_below else "excess" if now > bounds.excess_above else "adequate"
    return Standing(
        depth_cm, now, rows[-1].plant_available_fraction, day, None if week is None else now - week, word, zone
    )


def _by_time(rows: Sequence[DepthStretch], hours: int) -> list[tuple[datetime, dict[float, DepthStretch]]]:
    """Return the stretches side by side: when each begins, and its depths."""
    told: dict[datetime, dict[float, DepthStretch]] = {}
    for row in rows:
        number = microseconds(row.at) // (hours * HOUR_US)
        told.setdefault(instant(number * hours * HOUR_US), {})[row.depth_cm] = row
    return sorted(told.items())


def _mean(rows: Sequence[DepthStretch]) -> float | None:
    return sum(row.vwc_mean_m3_m3 for row in rows) / len(rows) if rows else None


def _storage_chart(rows: Sequence[StorageStretch], span: tuple[datetime, datetime], zone: str | None) -> Chart:
    x = [charts.wall(row.at, zone) for row in rows]
    stored = [row.storage_mm for row in rows]
    last = rows[-1]
    short = last.field_capacity_mm - last.readily_available_mm
    low = min(*stored, short, last.wilting_point_mm)
    high = max(*stored, last.field_capacity_mm)
    pad = 0.06 * (high - low or 1)
    zones = Zones(low - pad, short, last.field_capacity_mm, high + pad)
    text = [
        f"{row.storage_mm:.0f} mm from {row.probes} probes<br>{at} by the site's clock"
        for row, at in zip(rows, x, strict=True)
    ]
    sentence = (
        f"Water from the surface to the root depth of {last.root_depth_m:.2f} m: {last.storage_mm:.0f} mm at the end, "
        f"between {min(stored):.0f} and {max(stored):.0f} mm. Field capacity is {last.field_capacity_mm:.0f} mm, "
        f"readily available water ends at {short:.0f} mm."
    )
    drawn = [traces.line("storage", x, stored, text=text, steps=True)]
    panel = Panel(f"Root zone, 0 to {last.root_depth_m:.2f} m", "mm", drawn, zones, (low - pad, high + pad))
    return charts.chart("storage", sentence, [panel], span, zone)


def _depth_chart(
    by_depth: dict[float, list[DepthStretch]],
    bounds: dict[float, Bounds],
    span: tuple[datetime, datetime],
    zone: str | None,
) -> Chart:
    panels = []
    chosen = list(by_depth.items())[:_MOST_PANELS]
    for number, (depth, rows) in enumerate(chosen):
        x = [charts.wall(row.at, zone) for row in rows]
        means = [row.vwc_mean_m3_m3 for row in rows]
        lows, highs = [row.vwc_min_m3_m3 for row in rows], [row.vwc_max_m3_m3 for row in rows]
        low, high = min(lows), max(highs)
        held = bounds.get(depth)
        if held is not None:
            low, high = min(low, held.deficit_below), max(high, held.excess_above)
        pad = 0.08 * (high - low or 0.01)
        low, high = max(0.0, low - pad), high + pad
        text = [
            f"{depth:g} cm: mean {row.vwc_mean_m3_m3:.3f} m³/m³, {row.vwc_min_m3_m3:.3f} to {row.vwc_max_m3_m3:.3f}, "
            f"{row.probes} probes"
            f"<br>{at} by the site's clock"
            for row, at in zip(rows, x, strict=True)
        ]
        drawn = [
            *traces.band("least to greatest of all probes", x, lows, highs, legend=number == 0),
            traces.line("mean of all probes", x, means, text=text, legend=number == 0, steps=number == 0),
        ]
        zones = None if held is None else Zones(low, held.deficit_below, held.excess_above, high)
        panels.append(Panel(f"{depth:g} cm", "m³/m³", drawn, zones, (low, high)))
    told = "; ".join(
        f"{depth:g} cm {rows[0].vwc_mean_m3_m3:.3f} at first, {rows[-1].vwc_mean_m3_m3:.3f} at the end"
        for depth, rows in chosen
    )
    return charts.chart("depths", f"Mean water content by depth, in m³/m³: {told}.", panels, span, zone)
