"""Revisions: which were made and why; and of one, a probe's figures before and after."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from loamline.edges.pages import charts, traces
from loamline.edges.pages.asked import ROWS_A_PAGE, SPANS, Asked, Page, PageError, missing
from loamline.edges.pages.charts import Chart, Panel
from loamline.edges.store.api_pages import Term, parameters, rows_of, where
from loamline.edges.store.api_readings import Wanted, probe_numbers, source_of
from loamline.edges.store.api_registry import revisions_of
from loamline.edges.store.page_places import placements_of, site_zone
from loamline.edges.store.page_revisions import Covered, Pair, covered, pairs

#: Readings of a depth that a chart has room for; of more, every so many-th is drawn, and all that changed verdict.
_DRAWN = 400


def show_all(asked: Asked) -> Page:
    """Return the list of revisions that cover readings that may be seen, the newest first."""
    listing, own = revisions_of(asked.customer)
    rows = rows_of(asked.store, listing, own)[::-1]
    excerpt = asked.excerpt(len(rows))
    return Page("revisions.html.jinja", "Revisions", {"revisions": excerpt.of(rows), "excerpt": excerpt})


def show(asked: Asked) -> Page:
    """Return one revision's page. Raises PageError (404) for one that may not be seen."""
    listing, own = revisions_of(asked.customer)
    number = asked.path["number"]
    if not (number.isascii() and number.isdigit() and len(number) < 9):
        raise missing("revision", number, "The page on revisions lists them.")
    wanted = [Term("revision_id = $number", {"number": int(number)})]
    rows = rows_of(asked.store, listing, own, wanted, limit=1)
    if not rows:
        raise missing("revision", number, "The page on revisions lists them.")
    revision = rows[0]
    probes = covered(asked.store, asked.customer, revision["revision_id"], limit=ROWS_A_PAGE + 1)
    told: dict[str, Any] = {"revision": revision, "chosen": None, "spans": SPANS, "zone": None}
    # A list of more is none to choose from.
    told["probes"] = [probe.dev_eui for probe in probes] if len(probes) <= ROWS_A_PAGE else None
    if probes and revision["published_at"] is not None:
        told |= _before_and_after(asked, revision, _chosen(asked, revision["revision_id"], probes))
    return Page("revision.html.jinja", f"Revision {revision['revision_id']}", told)


def _chosen(asked: Asked, revision_id: int, probes: Sequence[Covered]) -> Covered:
    """Return the probe that the address names, the first one where it names none. Raises PageError (404)."""
    dev_eui = asked.query.get("probe", "").strip().upper()
    if not dev_eui:
        return probes[0]
    found = covered(asked.store, asked.customer, revision_id, dev_eui=dev_eui, limit=1)
    if not found:
        raise PageError(404, "No such probe", "This revision covers no such probe that you may see; choose another.")
    return found[0]


def _before_and_after(asked: Asked, revision: dict[str, Any], probe: Covered) -> dict[str, Any]:
    chosen, days = probe.dev_eui, asked.days(30)
    until = probe.measured_to + timedelta(microseconds=1)
    since = max(until - timedelta(days=days), probe.measured_from)
    found = pairs(asked.store, asked.codecs, chosen, (since, until), revision["published_at"])
    if asked.customer is not None:
        own = _own(asked, chosen, since, until)
        found = [pair for pair in found if (pair.depth_index, pair.at) in own]
    places = placements_of(asked.store, asked.customer, chosen)
    zone = site_zone(asked.store, asked.customer, places[-1]["site"]) if places else None
    by_depth = {depth: list(rows) for depth, rows in groupby(found, key=lambda pair: pair.depth_index)}
    return {
        "chosen": chosen,
        "days": days,
        "since": since,
        "until": until,
        "zone": zone,
        "summary": [_summary(rows) for rows in by_depth.values()],
        "flips": Counter(
            (pair.verdict_before, pair.verdict_after) for pair in found if pair.verdict_before != pair.verdict_after
        ),
        "chart": _chart(by_depth, (since, until), zone) if by_depth else None,
        "daily": _daily(by_depth),
    }


def _own(asked: Asked, dev_eui: str, since: datetime, until: datetime) -> set[tuple[int, datetime]]:
    """Return the readings of a probe that may be seen, by depth and instant."""
    wanted = Wanted(customer=asked.customer, dev_eui=dev_eui, since=since, until=until)
    terms = wanted.terms()
    rows = asked.store.con.execute(
        f"SELECT r.depth_index, r.measured_at {source_of(probe_numbers(asked.store, wanted, None))} "
        f"WHERE {where(terms)}",
        parameters(terms),
    ).fetchall()
    return set(rows)


def _summary(rows: Sequence[Pair]) -> dict[str, Any]:
    shifts = [row.after - row.before for row in rows if row.before is not None and row.after is not None]
    return {
        "depth_cm": rows[-1].depth_cm,
        "readings": len(rows),
        "changed": sum(row.changed for row in rows),
        "mean_shift": sum(shifts) / len(shifts) if shifts else None,
        "largest_shift": max(shifts, key=abs, default=None),
    }


def _daily(by_depth: dict[int, list[Pair]]) -> list[dict[str, Any]]:
    """Return each day's means before and after, UTC, by depth."""
    told = []
    for rows in by_depth.values():
        for day, some in groupby(rows, key=lambda row: row.at.date()):
            held = list(some)
            told.append(
                {
                    "depth_cm": held[-1].depth_cm,
                    "day": day,
                    "before": _mean([row.before for row in held]),
                    "after": _mean([row.after for row in held]),
                    "readings": len(held),
                }
            )
    return told


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


def _chart(by_depth: dict[int, list[Pair]], span: tuple[datetime, datetime], zone: str | None) -> Chart:
    panels = []
    for number, rows in enumerate(by_depth.values()):
        step = -(-len(rows) // _DRAWN)
        drawn = [row for index, row in enumerate(rows) if index % step == 0 or row.verdict_before != row.verdict_after]
        x = [charts.wall(row.at, zone) for row in drawn]
        text = [
            f"before {_figure(row.before)}, after {_figure(row.after)} m³/m³<br>{at}"
            for row, at in zip(drawn, x, strict=True)
        ]
        cm = rows[-1].depth_cm
        name = f"depth {rows[-1].depth_index}" if cm is None else f"{cm:g} cm"
        before = traces.line(
            "before", x, [row.before for row in drawn], ink=traces.SOFT, dash="dot", text=text, legend=number == 0
        )
        after = traces.line(
            "after",
            x,
            [row.after for row in drawn],
            ink=traces.ACCENT,
            text=text,
            legend=number == 0,
            steps=number == 0,
        )
        panels.append(Panel(name, "m³/m³", [before, after]))
    told = "; ".join(
        f"{summary['depth_cm']:g} cm: {summary['changed']} of {summary['readings']} readings changed"
        for summary in map(_summary, by_depth.values())
        if summary["depth_cm"] is not None
    )
    return charts.chart(
        "revision", f"Water content before (dotted) and after (solid), m³/m³. {told}.", panels, span, zone
    )


def _figure(value: float | None) -> str:
    return "none" if value is None else f"{value:.3f}"
