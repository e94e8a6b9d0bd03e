"""Each site at a glance: how wet, how well supplied, how far to be trusted, over the last so many hours."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import CURRENT
from loamline_schemas.verdicts import Verdict


@dataclass(frozen=True)
class SiteNow:
    """One site over a window; figures are of readings that did not fail, None where there are none."""

    site: str
    probes: int
    last_measured_at: datetime
    driest_vwc_m3_m3: float | None
    wettest_vwc_m3_m3: float | None
    lowest_supply_v: float | None
    verdicts: dict[str, int] = field(default_factory=dict)


_SITES = f"""
    WITH place AS (SELECT DISTINCT digest, site FROM placement),
    recent AS (
        SELECT coalesce(place.site, '(in no registry)') AS site, r.*,
               max(r.measured_at) OVER (PARTITION BY r.probe_id, r.depth_index) AS newest_at
        FROM {CURRENT} r JOIN provenance USING (provenance_id) LEFT JOIN place ON place.digest = placement_digest
        WHERE r.measured_at >= (SELECT max(measured_at) FROM {CURRENT}) - to_hours($hours)
    )
    SELECT site, count(DISTINCT probe_id), max(measured_at),
           min(vwc_m3_m3) FILTER (measured_at = newest_at AND verdict_flag <> $fail),
           max(vwc_m3_m3) FILTER (measured_at = newest_at AND verdict_flag <> $fail),
           min(supply_v) FILTER (measured_at = newest_at)
    FROM recent GROUP BY site ORDER BY site
"""  # noqa: S608 - our own names

_VERDICTS = f"""
    WITH place AS (SELECT DISTINCT digest, site FROM placement)
    SELECT coalesce(place.site, '(in no registry)') AS site, verdict_flag, count(*)
    FROM {CURRENT} r JOIN provenance USING (provenance_id) LEFT JOIN place ON place.digest = placement_digest
    WHERE r.measured_at >= (SELECT max(measured_at) FROM {CURRENT}) - to_hours($hours)
    GROUP BY ALL ORDER BY ALL
"""  # noqa: S608 - our own names


def sites_now(store: Store, hours: int = 24) -> list[SiteNow]:
    """Return every site with readings in the `hours` before the newest reading of all, by name."""
    told = {"hours": hours, "fail": int(Verdict.FAIL)}
    counts: dict[str, dict[str, int]] = {}
    for site, flag, number in store.con.execute(_VERDICTS, {"hours": hours}).fetchall():
        counts.setdefault(site, {})[Verdict(flag).word] = number
    return [
        SiteNow(site, probes, newest, driest, wettest, supply, counts.get(site, {}))
        for site, probes, newest, driest, wettest, supply in store.con.execute(_SITES, told).fetchall()
    ]
