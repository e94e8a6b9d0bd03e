"""Gateways: which were heard through, when last, and how well; and of one, whom it hears."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from loamline.core.radio_report import RadioReport
from loamline.edges.pages import charts, traces
from loamline.edges.pages.asked import SPANS, Asked, Page, missing
from loamline.edges.pages.charts import Chart, Panel
from loamline.edges.store.api_fleet import gateways_of
from loamline.edges.store.api_pages import Term, rows_of
from loamline.edges.store.page_gateways import DayHeard, counted_since, days_of, hears
from loamline.edges.store.radio import Span, named_probes, radio_report
from loamline_schemas.key_tables import Scope

#: Margins and delivery need every delivery of every probe that a gateway hears: of more probes than this they are told
#: of the last day alone.
_MOST_REPORTED, _DAY = 500, timedelta(days=1)


def show_all(asked: Asked) -> Page:
    """Return the list of gateways that heard uplinks that may be seen."""
    asked.caller.check(Scope.FLEET)
    since, until, days, cut = _span(asked)
    listing, own = gateways_of(asked.store, asked.customer, since, until)
    rows = sorted(rows_of(asked.store, listing, own), key=lambda row: row["last_heard_at"])
    excerpt = asked.excerpt(len(rows))
    told = {
        "gateways": excerpt.of(rows),
        "excerpt": excerpt,
        "days": days,
        "since": since,
        "cut": cut,
        "spans": SPANS,
        "now": asked.now,
    }
    return Page("gateways.html.jinja", "Gateways", told)


def show(asked: Asked) -> Page:
    """Return one gateway's page. Raises PageError (404) for one that heard nothing that may be seen."""
    asked.caller.check(Scope.FLEET)
    name = asked.path["gateway"]
    since, until, days, cut = _span(asked)
    listing, own = gateways_of(asked.store, asked.customer, since, until)
    rows = rows_of(asked.store, listing, own, [Term("gateway = $gateway", {"gateway": name})], limit=1)
    if not rows:
        raise missing("gateway", name, f"None of that name heard an uplink since {since:%Y-%m-%d %H:%M} UTC.")
    heard = hears(asked.store, asked.customer, name, since, until)
    excerpt = asked.excerpt(len(heard))
    daily = days_of(asked.store, asked.customer, name, since, until)
    told: dict[str, Any] = {
        "gateway": rows[0],
        "days": days,
        "cut": cut,
        "spans": SPANS,
        "daily": daily,
        "chart": _chart(name, daily, (since, until)) if daily else None,
        "hears": excerpt.of(heard),
        "excerpt": excerpt,
        "report": _report(asked, name, (since, until), {probe.dev_eui for probe in heard}),
        "now": asked.now,
        "since": since,
        "until": until,
    }
    return Page("gateway.html.jinja", f"Gateway {name}", told)


def _span(asked: Asked) -> tuple[datetime, datetime, int, bool]:
    """Return since and until, the days that the address asks for, and whether these are too many for the fleet."""
    since, until, days = asked.span(7, None)
    told = counted_since(asked.store, since, until)
    return told, until, days, told > since


def _report(asked: Asked, name: str, span: tuple[datetime, datetime], hears: set[str]) -> dict[str, Any] | None:
    """Return margins and delivery of everybody's probes that it hears, for an operator: by dev_eui, and its own."""
    if asked.customer is not None:
        return None
    since, until = span
    if len(hears) > _MOST_REPORTED:
        since = max(since, until - _DAY)
    told = Span(since, until)
    probes = {number: probe for number, probe in named_probes(asked.store, until).items() if probe.dev_eui in hears}
    report: RadioReport = radio_report(asked.store, told, probes)
    links = {probes[link.probe_id].dev_eui: link for link in report.links if link.gateway == name}
    own = next((gateway for gateway in report.gateways if gateway.gateway == name), None)
    only = {probes[probe.probe_id].dev_eui for probe in report.probes if probe.only_gateway == name}
    return {"links": links, "own": own, "only": only, "of_last_day": since > span[0]}


def _chart(name: str, daily: list[DayHeard], span: tuple[datetime, datetime]) -> Chart:
    x = [charts.wall(day.day + timedelta(hours=12), None) for day in daily]
    uplinks = traces.bars(
        "uplinks heard",
        x,
        [float(day.uplinks) for day in daily],
        [f"{day.uplinks} uplinks, {day.day:%d %b}" for day in daily],
        hours=20,
    )
    snr = traces.line(
        "median SNR", x, [day.median_snr_db for day in daily], text=[f"{day.median_snr_db} dB" for day in daily]
    )
    sentence = (
        f"Uplinks heard by {name} a day (UTC): from {min(day.uplinks for day in daily)} to "
        f"{max(day.uplinks for day in daily)}, "
        f"{len(daily)} days with any. Median signal-to-noise ratio below it."
    )
    top = max(day.uplinks for day in daily) * 1.1
    return charts.chart(
        "gateway",
        sentence,
        [Panel("Uplinks a day (UTC)", "uplinks", [uplinks], None, (0, top)), Panel("Median SNR", "dB", [snr])],
        span,
        None,
    )
