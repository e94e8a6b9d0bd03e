"""The first page: what needs attention, since when, why and what to do; then every site and every probe."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from loamline.core.problem_kinds import Kind
from loamline.edges.pages import words
from loamline.edges.pages.asked import Asked, Page
from loamline.edges.pages.download import FORMATS, may_download_all
from loamline.edges.pages.overview import PATIENCE_S, Overview
from loamline.edges.store.api_fleet import health_rows
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet import WEAK_MARGIN_DB, Period
from loamline.edges.store.page_fleet import Onset, SiteRow, first_aside, first_heard, onsets, site_rows
from loamline.edges.store.page_places import count_sites, placements_of, sites_listed, sites_seen
from loamline.edges.store.problem_log import stored_problems
from loamline_schemas.key_tables import Scope

#: Days that verdicts, margin and losses are taken over; how far back an onset is looked for.
DAYS, BACK_DAYS = 7, 90
#: Needy probes that are told with all reasons; more are counted.
_MOST_TOLD = 200

#: What to do about readings that fail, where one check alone says so; common practice.
WHAT_TO_DO_OF_CHECK = {
    "frost": "Nothing, where the soil was frozen: figures count again after a full thaw. Look to the crop.",
    "stuck": "Its count stands still while the temperature moves: test transducer and cable, or replace it.",
    "supply": "Change the cell, by the maker's safety sheet; figures since then may be wrong.",
    "contact": "It reads air: visit it, and set it in undisturbed soil.",
    "range": "A cable fault, or soil outside of the curve's domain, for which a curve of its own helps.",
    "spike": "Single samples fly off: look for a loose cable, and for machinery near it.",
    "fall": "Water left faster than soil drains: look for a crack beside the probe, or a probe that was pulled.",
}


@dataclass(frozen=True)
class Reason:
    """One thing that needs attention: in a word, since when (None: over the window), why, and what to do."""

    word: str
    since: datetime | None
    why: str
    todo: str


@dataclass(frozen=True)
class Needy:
    """One probe with its reasons, the gravest first, and since when the earliest of them holds."""

    probe: dict[str, Any]
    reasons: list[Reason]
    zone: str | None


def show(asked: Asked) -> Page:
    """Return the fleet page; without the scope fleet it tells of the sites alone."""
    of_sites = asked.excerpt(count_sites(asked.store, asked.customer), name="sites_page")
    sites = sites_listed(asked.store, asked.customer, of_sites.start, of_sites.size)
    told: dict[str, Any] = {
        "days": DAYS,
        "fleet": asked.may(Scope.FLEET),
        "may_download_all": may_download_all(asked),
        "first_day": asked.now - timedelta(days=DAYS),
        "formats": FORMATS,
        "of_sites": of_sites,
    }
    if not told["fleet"]:
        now_at = _sites_now(asked)
        told |= {"sites": [(row, now_at.get(row["site"])) for row in sites], "as_of": asked.now}
        return Page("fleet.html.jinja", "Sites", told)
    seen = overview(asked)
    told |= {
        "sites": [(row, seen.sites.get(row["site"])) for row in sites],
        "as_of": seen.as_of,
        "needy": seen.needy,
        "beyond": seen.beyond,
        "needy_count": seen.needy_count,
        "probe_count": len(seen.health),
        "kinds": seen.kinds,
        **_listed(asked, seen.health),
    }
    return Page("fleet.html.jinja", "Fleet", told)


def overview(asked: Asked, patience_s: float = PATIENCE_S) -> Overview:
    """Return the fleet as it was a moment ago, those in need first. Raises NotNowError where it takes longer."""

    def made(store: Store) -> Overview:
        # Of another view, which is made later than this request's own.
        now = replace(asked, store=store, now=asked.clock())
        health = health_rows(store, now.customer, Period.of(now.now, now.now, DAYS), None)
        needy = sorted((row for row in health if row["attention"]), key=_need)
        calm = [row for row in health if not row["attention"]]
        told = _told(now, needy[:_MOST_TOLD])
        beyond = [] if now.customer is not None else stored_problems(store)
        beyond = [one for one in beyond if not one.subject.startswith("probe/")]
        return Overview(now.now, [*needy, *calm], told, len(needy), _counted(needy), _sites_now(now), beyond)

    return asked.overviews.get(asked.customer, made, patience_s)


def _sites_now(asked: Asked) -> dict[str, SiteRow]:
    day = Wanted(customer=asked.customer, since=asked.now - timedelta(days=1), until=asked.now)
    return site_rows(asked.store, day)


def _need(row: dict[str, Any]) -> tuple[Any, ...]:
    """Return a sort key: the longest silent first, then those with most reasons, then by dev_eui."""
    quiet = row["attention"][0] in (Kind.SILENT, Kind.NEVER_HEARD)
    heard = row["last_heard_at"]
    return not quiet, heard.timestamp() if quiet and heard else 0.0, -len(row["attention"]), row["dev_eui"]


def _counted(health: Iterable[dict[str, Any]]) -> list[tuple[str, int]]:
    counts: dict[str, int] = {}
    for row in health:
        for word in row["attention"]:
            counts[word] = counts.get(word, 0) + 1
    return sorted(counts.items(), key=lambda told: (Kind(told[0]).gravity, told[0]))


def _told(asked: Asked, needy: list[dict[str, Any]]) -> list[Needy]:
    def of(*names: str) -> list[str]:
        return [row["dev_eui"] for row in needy if set(names) & set(row["attention"])]

    window = asked.now - timedelta(days=DAYS)
    sites = sites_seen(asked.store, asked.customer, {row["site"] for row in needy if row["site"]})
    heard: dict[str, datetime] = {}
    if asked.customer is None:
        back = asked.now - timedelta(days=BACK_DAYS)
        began = onsets(asked.store, of(Kind.LOW_SUPPLY, Kind.TILTED, Kind.FAILING), back, asked.now)
        heard = first_heard(asked.store, of(Kind.NOT_REGISTERED, Kind.NOT_PLACED))
        aside = first_aside(asked.store, of(Kind.SET_ASIDE), window)
    else:
        began, aside = _own(asked, needy, window)
    return [
        Needy(
            row,
            [
                _reason(word, row, began.get(row["dev_eui"], Onset()), heard, aside, asked.now)
                for word in row["attention"]
            ],
            sites[row["site"]]["time_zone"] if row["site"] in sites else None,
        )
        for row in needy
    ]


def _own(asked: Asked, needy: list[dict[str, Any]], window: datetime) -> tuple[dict[str, Onset], dict[str, datetime]]:
    """Return onsets and first uplinks set aside since a customer's probes stand where they do.

    What a probe told elsewhere before is not this customer's.
    """
    began: dict[str, Onset] = {}
    aside: dict[str, datetime] = {}
    for row in needy:
        placed = placements_of(asked.store, asked.customer, row["dev_eui"])
        begun = max((one["valid_from"] for one in placed if one["valid_from"] <= asked.now), default=asked.now)
        since = max(begun, window)
        began |= onsets(asked.store, [row["dev_eui"]], since, asked.now)
        aside |= first_aside(asked.store, [row["dev_eui"]], since)
    return began, aside


def _reason(
    word: str,
    row: dict[str, Any],
    began: Onset,
    heard: dict[str, datetime],
    aside: dict[str, datetime],
    now: datetime,
) -> Reason:
    name = row["dev_eui"]
    since: datetime | None = None
    why = ""
    if word == Kind.SILENT:
        since = row["last_heard_at"]
        spacing = row["usual_spacing_minutes"]
        usual = f"; its uplinks usually come every {spacing:.0f} min" if spacing else ""
        why = f"nothing heard for {words.ago(now - row['last_heard_at'])}{usual}"
    elif word == Kind.NEVER_HEARD:
        why = "registered, and no uplink was ever heard"
    elif word == Kind.LOW_SUPPLY:
        since, why = (
            began.supply_low,
            f"its supply sagged while it measured; {words.figure(row['supply_v'], 'V')} at the newest uplink",
        )
    elif word == Kind.TILTED:
        since, why = began.tilted, "it reports that it is not upright"
    elif word == Kind.FAILING:
        since, why = began.failing, _failing(row, began)
    elif word == Kind.SET_ASIDE:
        since, why = (
            aside.get(name),
            f"{row['set_aside']} uplink{'' if row['set_aside'] == 1 else 's'} that no codec reads, in {DAYS} days",
        )
    elif word == Kind.LOSING_UPLINKS:
        why = f"{words.share(row['share_lost'])} of its uplinks were lost in {DAYS} days, by gaps of the frame counter"
    elif word == Kind.WEAK_LINK:
        why = (
            f"median margin {words.figure(row['margin_db'], 'dB', 1)} over the demodulation floor in {DAYS} days; "
            f"under {WEAK_MARGIN_DB:g} dB a wet leaf is enough"
        )
    elif word == Kind.CONFLICTS:
        why = f"{row['conflicts']} samples of an instant that had another already, in {DAYS} days"
    else:
        since = heard.get(name)
        why = "heard, and in no registry" if word == Kind.NOT_REGISTERED else "registered, and placed nowhere now"
    todo = Kind(word).what_to_do
    if word == Kind.FAILING and len(began.failed) == 1:
        todo = WHAT_TO_DO_OF_CHECK[next(iter(began.failed))]
    return Reason(word, since, why, todo)


def _failing(row: dict[str, Any], began: Onset) -> str:
    readings = sum(row[name] for name in row if name.startswith("verdict_"))
    bad = row["verdict_fail"] + row["verdict_missing"]
    worst = ", ".join(check for check, _ in sorted(began.failed.items(), key=lambda told: -told[1])[:3])
    which = f"; failed: {worst}" if worst else "; no figure came" if began.missing else ""
    return f"{bad} of {readings} readings in {DAYS} days failed or are missing{which}"


def _listed(asked: Asked, health: list[dict[str, Any]]) -> dict[str, Any]:
    """Return a page of all probes, of one site where one is asked for."""
    site = asked.query.get("site") or None
    rows = [row for row in health if site is None or row["site"] == site]
    excerpt = asked.excerpt(len(rows))
    return {"rows": excerpt.of(rows), "of_probes": excerpt, "chosen": site}
