"""What one gateway heard, for its page: by the day, and by the probe; of everybody's probes or of a customer's."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from loamline.edges.store.api_registry import OWN_PLACED
from loamline.edges.store.connection import Store

#: Deliveries, of hourly probes, out of which gateways are told of at most: counting frame counters takes memory.
_MOST_COUNTED = 5_000_000


def counted_since(store: Store, since: datetime, until: datetime) -> datetime:
    """Return from when on gateways are told of a span: from its beginning, of a large fleet its last days or hours."""
    probes = max(1, int(store.scalar("SELECT count(*) FROM probe_identity")))
    return max(since, until - timedelta(hours=max(1, _MOST_COUNTED // probes)))


@dataclass(frozen=True)
class DayHeard:
    """One day, UTC, on which a gateway heard anything."""

    day: datetime
    uplinks: int
    probes: int
    median_snr_db: float | None


@dataclass(frozen=True)
class ProbeHeard:
    """One probe that a gateway heard; medians over the receptions."""

    dev_eui: str
    uplinks: int
    last_heard_at: datetime
    median_rssi_dbm: float | None
    median_snr_db: float | None


def days_of(store: Store, customer: str | None, gateway: str, since: datetime, until: datetime) -> list[DayHeard]:
    """Return the days of [since, until) on which a gateway heard anything that may be seen."""
    rows = _asked(
        store,
        customer,
        gateway,
        since,
        until,
        "date_trunc('day', heard_at), count(DISTINCT (probe_id, dev_addr, fcnt)), count(DISTINCT probe_id), "
        "median(c.snr_db)",
        "GROUP BY 1 ORDER BY 1",
    )
    return [DayHeard(*row) for row in rows]


def hears(store: Store, customer: str | None, gateway: str, since: datetime, until: datetime) -> list[ProbeHeard]:
    """Return the probes that a gateway heard in [since, until), the weakest first."""
    rows = _asked(
        store,
        customer,
        gateway,
        since,
        until,
        "dev_eui, count(DISTINCT (probe_id, dev_addr, fcnt)), max(heard_at), median(c.rssi_dbm), median(c.snr_db)",
        "GROUP BY 1 ORDER BY 5 NULLS LAST, 1",
    )
    return [ProbeHeard(*row) for row in rows]


def _asked(
    store: Store, customer: str | None, gateway: str, since: datetime, until: datetime, what: str, rest: str
) -> list[Any]:
    whose = "true"
    told: dict[str, Any] = {"gateway": gateway, "since": since, "until": until}
    if customer is not None:
        told["customer"] = customer
        whose = f"""EXISTS (
            SELECT 1 FROM {OWN_PLACED} o WHERE o.dev_eui = i.dev_eui
            AND u.heard_at >= o.valid_from AND u.heard_at < o.valid_end
        )"""  # noqa: S608 - our own names
    return store.con.execute(
        f"""
        SELECT {what} FROM (
            SELECT i.dev_eui, u.probe_id, u.dev_addr, u.fcnt, u.heard_at, unnest(u.receptions) AS c
            FROM {store.raw_log(since, until)} u JOIN probe_identity i USING (probe_id)
            WHERE u.heard_at >= $since AND u.heard_at < $until AND {whose}
        ) WHERE c.gateway = $gateway {rest}
        """,  # noqa: S608 - our own names
        told,
    ).fetchall()
