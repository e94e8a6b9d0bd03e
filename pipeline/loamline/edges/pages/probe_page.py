"""One probe: water content by depth with its uncertainty and verdicts, temperature, supply, link, and where it was."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from loamline.edges.pages import probe_charts
from loamline.edges.pages.asked import SPANS, Asked, Page, missing
from loamline.edges.pages.charts import Event
from loamline.edges.pages.download import FORMATS, may_download
from loamline.edges.pages.fleet_page import DAYS, overview
from loamline.edges.pages.words import verdict_words
from loamline.edges.store.api_pages import Term, rows_of
from loamline.edges.store.api_readings import Wanted, known
from loamline.edges.store.api_registry import PROBES, own_probes, revisions_of
from loamline.edges.store.page_places import FOREVER, bounds_of, placements_of, site_zone
from loamline.edges.store.page_series import (
    Link,
    Stretch,
    counted,
    links,
    newest_reading,
    radio_since,
    series,
    stretch_hours,
)
from loamline.edges.store.reading_api import NotNowError
from loamline_schemas.key_tables import Scope

#: How long a probe's page waits for what the fleet's tells of it.
_PATIENCE_S = 2.0


def show(asked: Asked) -> Page:
    """Return the page of a probe. Raises PageError (404) for one that may not be seen."""
    dev_eui = asked.path["dev_eui"].upper()
    if not known(asked.store, asked.customer, dev_eui=dev_eui):
        raise missing("probe", dev_eui, "The first page lists them.")
    (record,) = rows_of(
        asked.store, PROBES, own_probes(asked.customer), [Term("dev_eui = $dev_eui", {"dev_eui": dev_eui})], limit=1
    )
    placements = placements_of(asked.store, asked.customer, dev_eui)
    newest = _newest(asked, dev_eui)
    since, until, days = asked.span(30, newest)
    zone = _zone(asked, placements, until)
    wanted = Wanted(customer=asked.customer, dev_eui=dev_eui, since=since, until=until)
    stretches = series(asked.store, wanted)
    by_depth = {depth: list(rows) for depth, rows in groupby(stretches, key=lambda row: row.depth_index)}
    hours = stretch_hours(since, until)
    heard_from = radio_since(asked.store, since, until)
    radio = _radio(asked, dev_eui, placements, (heard_from, until), hours) if asked.may(Scope.FLEET) else None
    revised = _revisions(asked, dev_eui)
    events = _events(placements, revised, (since, until))
    bounds = bounds_of(asked.store, dev_eui, until - timedelta(seconds=1))
    if asked.customer is not None:
        here = {row["depth_index"] for row in placements if row["valid_from"] < until <= (row["valid_to"] or FOREVER)}
        bounds = {depth: told for depth, told in bounds.items() if depth in here}
    frame = probe_charts.Frame(dev_eui, (since, until), zone, events)
    told: dict[str, Any] = {
        "probe": record,
        "dev_eui": dev_eui,
        "zone": zone,
        "newest": newest,
        "since": since,
        "until": until,
        "days": days,
        "spans": SPANS,
        "may_download": may_download(asked),
        "formats": FORMATS,
        "hours": hours,
        "placements": placements,
        "revisions": revised,
        "bounds": bounds,
        "health": _health(asked, dev_eui),
        "health_days": DAYS,
        "by_depth": by_depth,
        "radio": radio,
        "radio_days": round((until - heard_from) / timedelta(days=1)) if heard_from > since else None,
        "verdicts": counted(stretches),
        "moisture": probe_charts.moisture(by_depth, bounds, frame) if by_depth else None,
        "others": probe_charts.others(by_depth, radio or [], frame) if by_depth or radio else None,
        "marked": _marked(stretches),
        "lost": sum(link.lost for link in radio or []),
        "heard": sum(link.heard for link in radio or []),
    }
    return Page("probe.html.jinja", record["serial"] or dev_eui, told)


def _newest(asked: Asked, dev_eui: str) -> datetime | None:
    """Return the newest reading that may be seen."""
    wanted = Wanted(customer=asked.customer, dev_eui=dev_eui, until=asked.now + timedelta(days=3650))
    return newest_reading(asked.store, wanted, [asked.now - timedelta(hours=hours) for hours in (3, 24, 168)])


def _zone(asked: Asked, placements: Sequence[dict[str, Any]], at: datetime) -> str | None:
    """Return the zone of the site where a probe is, or was last."""
    begun = [row for row in placements if row["valid_from"] <= at]
    if not begun:
        return None
    last = max(begun, key=lambda row: row["valid_from"])
    return site_zone(asked.store, asked.customer, last["site"])


def _radio(
    asked: Asked, dev_eui: str, placements: Sequence[dict[str, Any]], span: tuple[datetime, datetime], hours: int
) -> list[Link]:
    spans = [span]
    if asked.customer is not None:
        own = [(row["valid_from"], row["valid_to"] or FOREVER) for row in placements]
        spans = [(max(begun, span[0]), min(end, span[1])) for begun, end in own]
        spans = [(begun, end) for begun, end in spans if begun < end]
    ((number,),) = asked.store.con.execute(
        "SELECT probe_id FROM probe_identity WHERE dev_eui = ?", [dev_eui]
    ).fetchall()
    return links(asked.store, number, spans, hours)


def _revisions(asked: Asked, dev_eui: str) -> list[dict[str, Any]]:
    """Return the revisions that were published and cover readings of this probe."""
    listing, own = revisions_of(asked.customer)
    rows = rows_of(asked.store, listing, own)
    covering = {
        number
        for (number,) in asked.store.con.execute(
            "SELECT DISTINCT revision_id FROM revision_span JOIN probe_identity USING (probe_id) WHERE dev_eui = ?",
            [dev_eui],
        ).fetchall()
    }
    return [row for row in rows if row["revision_id"] in covering and row["published_at"] is not None]


def _events(
    placements: Sequence[dict[str, Any]], revised: Sequence[dict[str, Any]], span: tuple[datetime, datetime]
) -> list[Event]:
    begun = {row["valid_from"]: f"placed: {row['label']}" for row in placements}
    ended = {row["valid_to"]: "taken out" for row in placements if row["valid_to"] is not None}
    published = {row["published_at"]: f"revision {row['revision_id']}" for row in revised}
    told = {**ended, **begun, **published}
    return [Event(at, text[:40]) for at, text in sorted(told.items()) if span[0] <= at <= span[1]]


def _health(asked: Asked, dev_eui: str) -> dict[str, Any] | None:
    """Return what the fleet page knows of this probe.

    None without the scope, where it is placed elsewhere now, and where a large fleet is still being summed up.
    """
    if not asked.may(Scope.FLEET):
        return None
    try:
        health = overview(asked, _PATIENCE_S).health
    except NotNowError:
        return None
    return next((row for row in health if row["dev_eui"] == dev_eui), None)


def _marked(stretches: Sequence[Stretch]) -> list[tuple[str, int]]:
    counts: dict[str, int] = {}
    for row in stretches:
        counts[row.gravest] = counts.get(row.gravest, 0) + 1
    return [(verdict_words(word), count) for word, count in counts.items()]
