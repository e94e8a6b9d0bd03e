"""What the fleet page asks: since when a needy probe is as it is, which checks said so, and each site's newest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from loamline.edges.store.api_pages import parameters, where
from loamline.edges.store.api_readings import Wanted, probe_numbers, source_of
from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import CURRENT
from loamline_schemas.verdicts import Verdict

CHECKS = ("range", "spike", "stuck", "frost", "supply", "contact", "fall")
_BAD = f"({int(Verdict.FAIL)}, {int(Verdict.MISSING)})"


@dataclass(frozen=True)
class Onset:
    """Since when one probe's readings say something (None: they don't), and how many readings failed which check."""

    supply_low: datetime | None = None
    tilted: datetime | None = None
    failing: datetime | None = None
    missing: int = 0
    failed: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class SiteRow:
    """One site over a window: newest water contents of depths that did not fail, m3/m3, and counts of verdicts."""

    site: str
    probes: int
    newest: datetime
    driest: float | None
    wettest: float | None
    verdicts: dict[str, int]


def onsets(store: Store, dev_euis: Sequence[str], since: datetime, until: datetime) -> dict[str, Onset]:
    """Return the onsets of probes, from their readings in (since, until]."""
    if not dev_euis:
        return {}
    counts = ", ".join(f"count(*) FILTER ({check}_flag = {int(Verdict.FAIL)})" for check in CHECKS)
    rows = store.con.execute(
        f"""
        WITH told AS (
            SELECT dev_eui, r.*, max(measured_at) FILTER (supply_low IS NOT TRUE) OVER own AS well_supplied,
                   max(measured_at) FILTER (tilted IS NOT TRUE) OVER own AS upright,
                   max(measured_at) FILTER (verdict_flag NOT IN {_BAD}) OVER own AS well
            FROM {CURRENT} r JOIN probe_identity USING (probe_id)
            WHERE list_contains($dev_euis, dev_eui) AND measured_at > $since AND measured_at <= $until
            WINDOW own AS (PARTITION BY probe_id)
        )
        SELECT dev_eui, min(measured_at) FILTER (supply_low AND (well_supplied IS NULL OR measured_at > well_supplied)),
               min(measured_at) FILTER (tilted AND (upright IS NULL OR measured_at > upright)),
               coalesce(min(measured_at) FILTER (verdict_flag IN {_BAD} AND (well IS NULL OR measured_at > well)),
                        min(measured_at) FILTER (verdict_flag IN {_BAD})),
               count(*) FILTER (verdict_flag = {int(Verdict.MISSING)}), {counts}
        FROM told GROUP BY dev_eui
        """,  # noqa: S608 - our own names
        {"dev_euis": list(dev_euis), "since": since, "until": until},
    ).fetchall()
    return {
        dev_eui: Onset(low, tilted, failing, missing, {name: n for name, n in zip(CHECKS, failed, strict=True) if n})
        for dev_eui, low, tilted, failing, missing, *failed in rows
    }


def first_heard(store: Store, dev_euis: Sequence[str]) -> dict[str, datetime]:
    """Return when each of some probes was first heard."""
    if not dev_euis:
        return {}
    rows = store.con.execute(
        f"SELECT dev_eui, min(heard_at) FROM {store.raw_log()} JOIN probe_identity USING (probe_id) "  # noqa: S608
        "WHERE list_contains($dev_euis, dev_eui) GROUP BY dev_eui",
        {"dev_euis": list(dev_euis)},
    ).fetchall()
    return dict(rows)


def first_aside(store: Store, dev_euis: Sequence[str], since: datetime) -> dict[str, datetime]:
    """Return the first uplink of a window that was set aside, by probe."""
    rows = store.con.execute(
        "SELECT dev_eui, min(heard_at) FROM set_aside JOIN probe_identity USING (probe_id) "
        "WHERE list_contains($dev_euis, dev_eui) AND heard_at > $since GROUP BY dev_eui",
        {"dev_euis": list(dev_euis), "since": since},
    ).fetchall()
    return dict(rows)


def site_rows(store: Store, wanted: Wanted) -> dict[str, SiteRow]:
    """Return the sites with readings in a span, by name; `wanted` says whose, since and until."""
    terms = wanted.terms()
    counts = ", ".join(f"count(*) FILTER (verdict_flag = {int(flag)})" for flag in Verdict)
    good = f"newest AND verdict_flag NOT IN {_BAD}"
    rows: list[Any] = store.con.execute(
        f"""
        SELECT site, count(DISTINCT probe_id), max(measured_at), min(vwc_m3_m3) FILTER ({good}),
               max(vwc_m3_m3) FILTER ({good}), {counts}
        FROM (
            SELECT l.site, r.probe_id, r.measured_at, r.vwc_m3_m3, r.verdict_flag,
                   r.measured_at = max(r.measured_at) OVER (PARTITION BY r.probe_id, r.depth_index) AS newest
            {source_of(probe_numbers(store, wanted, None))}
            WHERE l.site IS NOT NULL AND {where(terms)}
        ) GROUP BY site ORDER BY site
        """,  # noqa: S608 - our own names
        parameters(terms),
    ).fetchall()
    return {
        site: SiteRow(
            site, probes, newest, driest, wettest, {flag.word: n for flag, n in zip(Verdict, told, strict=True) if n}
        )
        for site, probes, newest, driest, wettest, *told in rows
    }
