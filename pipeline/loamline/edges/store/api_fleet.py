"""How probes, gateways and figures do, for the API: of everybody's, or of a customer's while they stood there."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa

from loamline.edges.store.api_pages import Listing, Page, Term, schema_of, where
from loamline.edges.store.api_readings import Wanted, names_of, probe_numbers, source_of
from loamline.edges.store.api_registry import OWN_PLACED
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet import Period, ProbeHealth, attention, fleet
from loamline.edges.store.placements import PLACED
from loamline.edges.store.readings import ExportColumn
from loamline.edges.store.revisions import CURRENT
from loamline.edges.store.sql_lists import listed
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import Verdict

_c = ExportColumn
_TEXT, _REAL, _COUNT = pa.string(), pa.float64(), pa.int64()
_VERDICTS = tuple(
    _c(f"verdict_{flag.word}", f"q.verdict_{flag.word}", _COUNT, "1", f"readings with the verdict {flag.word}")
    for flag in Verdict
)

QUALITY = (
    _c("site", "q.site", _TEXT, "", "place; null where the probe was not placed then"),
    _c("dev_eui", "q.dev_eui", _TEXT, "", "EUI-64 of the probe; null where a row is a whole site"),
    _c("readings", "q.readings", _COUNT, "1", "readings measured in the span"),
    _c("first_measured_at", "q.first_measured_at", INSTANT, "", "UTC"),
    _c("last_measured_at", "q.last_measured_at", INSTANT, "", "UTC"),
    *_VERDICTS,
)


def quality_of(store: Store, wanted: Wanted, *, by_probe: bool) -> tuple[Listing, list[Term]]:
    """Return the listing of verdict counts by site, or by site and probe, and its terms."""
    terms = wanted.terms()
    counts = ", ".join(f"count(*) FILTER (r.verdict_flag = {int(flag)}) AS verdict_{flag.word}" for flag in Verdict)
    name = "i.dev_eui" if by_probe else "NULL::VARCHAR"
    found = f"""FROM (
        SELECT l.site, {name} AS dev_eui, count(*) AS readings, min(r.measured_at) AS first_measured_at,
               max(r.measured_at) AS last_measured_at, {counts}
        {source_of(probe_numbers(store, wanted, None))} WHERE {where(terms)} GROUP BY ALL
    ) q"""
    listing = Listing(QUALITY, found, ("coalesce(site, '')", "coalesce(dev_eui, '')"))
    return listing, [Term("true", term.parameters) for term in terms]


GATEWAYS = (
    _c("gateway", "q.gateway", _TEXT, "", "the gateway's identifier"),
    _c("receptions", "q.receptions", _COUNT, "1", "copies of uplinks that it delivered, redelivered ones too"),
    _c("uplinks", "q.uplinks", _COUNT, "1", "frame counters that it heard"),
    _c("probes", "q.probes", _COUNT, "1", "probes that it heard"),
    _c("first_heard_at", "q.first_heard_at", INSTANT, "", "first uplink in the span, UTC"),
    _c("last_heard_at", "q.last_heard_at", INSTANT, "", "last uplink in the span, UTC"),
    _c("median_rssi_dbm", "q.median_rssi_dbm", _REAL, "dBm", "signal strength, median"),
    _c("median_snr_db", "q.median_snr_db", _REAL, "dB", "signal-to-noise ratio, median"),
    _c("latitude_deg", "q.latitude_deg", _REAL, "deg", "last position told, WGS 84"),
    _c("longitude_deg", "q.longitude_deg", _REAL, "deg", "last position told, WGS 84"),
)


def gateways_of(store: Store, customer: str | None, since: datetime, until: datetime) -> tuple[Listing, list[Term]]:
    """Return the listing of gateways that heard an uplink in [since, until), and its terms."""
    own = f"""EXISTS (
        SELECT 1 FROM {OWN_PLACED} o JOIN probe_identity i USING (dev_eui)
        WHERE i.probe_id = u.probe_id AND u.heard_at >= o.valid_from AND u.heard_at < o.valid_end
    )"""  # noqa: S608 - our own names
    whose = "true" if customer is None else own
    found = f"""FROM (
        SELECT c.gateway, count(*) AS receptions, count(DISTINCT (probe_id, dev_addr, fcnt)) AS uplinks,
               count(DISTINCT probe_id) AS probes, min(told_at) AS first_heard_at, max(told_at) AS last_heard_at,
               median(c.rssi_dbm) AS median_rssi_dbm, median(c.snr_db) AS median_snr_db,
               arg_max(c.latitude_deg, told_at) AS latitude_deg, arg_max(c.longitude_deg, told_at) AS longitude_deg
        FROM (
            SELECT u.probe_id, u.dev_addr, u.fcnt, u.heard_at AS told_at, unnest(u.receptions) AS c
            FROM {store.raw_log(since, until)} u WHERE u.heard_at >= $since AND u.heard_at < $until AND {whose}
        ) GROUP BY c.gateway
    ) q"""  # noqa: S608 - our own names
    told: dict[str, Any] = {"since": since, "until": until}
    if customer is not None:
        told["customer"] = customer
    return Listing(GATEWAYS, found, ("gateway",)), [Term("true", told)]


HEALTH = (
    _c("dev_eui", "", _TEXT, "", "EUI-64 of the probe, 16 hex digits"),
    _c("serial", "", _TEXT, "", "serial number in the registry"),
    _c("site", "", _TEXT, "", "where it is placed now"),
    _c("labels", "", pa.list_(_TEXT), "", "where on the site"),
    _c("attention", "", pa.list_(_TEXT), "", "what needs attention, the gravest first"),
    _c("last_heard_at", "", INSTANT, "", "newest uplink, UTC"),
    _c("supply_v", "", _REAL, "V", "newest supply voltage"),
    _c("supply_low", "", pa.bool_(), "", "the supply sagged during the newest measurement"),
    _c("tilted", "", pa.bool_(), "", "the probe is not upright"),
    _c("firmware", "", _TEXT, "", "firmware, major.minor"),
    _c("codec", "", _TEXT, "", "payload version that the probe speaks"),
    _c("heard", "", _COUNT, "1", "uplinks in the window"),
    _c("lost", "", _COUNT, "1", "uplinks lost in the window, by the frame counter's gaps"),
    _c("share_lost", "", _REAL, "1", "lost / (lost + heard)"),
    _c("margin_db", "", _REAL, "dB", "median of the best SNR over the demodulation floor"),
    _c("usual_spacing_minutes", "", _REAL, "min", "median between two uplinks"),
    *(replace(column, sql="") for column in _VERDICTS),
    _c("set_aside", "", _COUNT, "1", "uplinks in the window that no codec reads"),
    _c("conflicts", "", _COUNT, "1", "samples of an instant that told other figures"),
)  # fmt: skip


def health_rows(
    store: Store, customer: str | None, period: Period, site: str | None, dev_euis: Collection[str] | None = None
) -> list[dict[str, Any]]:
    """Return the health of the probes placed now that may be seen, by dev_eui, columns as HEALTH.

    Everybody's: also of those that are placed nowhere. Of a customer's probe only the time since it was placed there
    counts; one that has a depth at somebody else's site now is left out. With `dev_euis` of these alone.
    """
    if customer is None:
        found = fleet(store, period, site, dev_euis=dev_euis)
    else:
        found = _own(store, customer, period, site, dev_euis)
    return [_health_row(probe) for probe in sorted(found, key=lambda probe: probe.dev_eui)]


def _health_row(probe: ProbeHealth) -> dict[str, Any]:
    told = {**vars(probe), **{f"verdict_{word}": count for word, count in probe.verdicts.items()}}
    return {column.name: told[column.name] for column in HEALTH}


def health_page(
    store: Store, customer: str | None, period: Period, site: str | None, after: str | None, limit: int, *, needy: bool
) -> Page:
    """Return up to `limit` rows of `health_rows` after a dev_eui, those that need attention alone where `needy`.

    Probes are looked at in blocks, so that a page reads of no more than it tells.
    """
    numbers = probe_numbers(store, Wanted(customer=customer, site=site), None if after is None else (after,))
    found: list[dict[str, Any]] = []
    for start in range(0, len(numbers), limit + 1):
        block = names_of(store, numbers[start : start + limit + 1])
        rows = health_rows(store, customer, period, site, block)
        found += [row for row in rows if row["dev_eui"] != after and (row["attention"] or not needy)]
        if len(found) > limit:
            break
    end = (found[limit - 1]["dev_eui"],) if len(found) > limit else None
    return Page(pa.Table.from_pylist(found[:limit], schema=schema_of(HEALTH)), end)


def _own(
    store: Store, customer: str, period: Period, site: str | None, dev_euis: Collection[str] | None
) -> list[ProbeHealth]:
    now: dict[str, Any] = {"customer": customer, "now": period.now}
    some = "true"
    if dev_euis is not None:
        some, now["dev_euis"] = "list_contains($dev_euis, o.dev_eui)", [*dev_euis]
    held = "valid_from <= $now AND valid_end > $now"
    rows = store.con.execute(
        f"""
        SELECT o.dev_eui, any_value(i.probe_id), min(o.site), max(o.valid_from)
        FROM {OWN_PLACED} o JOIN probe_identity i USING (dev_eui) WHERE {held} AND {some} AND o.dev_eui NOT IN (
            SELECT dev_eui FROM {PLACED} WHERE {held} AND site NOT IN (SELECT site FROM {OWN_PLACED})
        ) GROUP BY o.dev_eui
        """,  # noqa: S608 - our own names
        now,
    ).fetchall()
    placed = {dev_eui: (at, begun.astimezone(UTC)) for dev_eui, _, at, begun in rows}
    starts: dict[datetime, set[str]] = {}
    for dev_eui, (at, begun) in placed.items():
        if site in (None, at):
            starts.setdefault(max(begun, period.since), set()).add(dev_eui)
    found: list[ProbeHealth] = []
    for start, wanted in sorted(starts.items()):
        found += fleet(store, Period(start, period.until, period.now), dev_euis=wanted)
    newest = _newest_heard(store, [number for _, number, *_ in rows])
    for probe in found:
        _forget_earlier(probe, placed[probe.dev_eui][1], newest.get(probe.dev_eui), period.now)
    return found


def _newest_heard(store: Store, numbers: list[int]) -> dict[str, datetime]:
    told = store.con.execute(
        f"SELECT i.dev_eui, max(r.heard_at) FROM {CURRENT} r JOIN probe_identity i USING (probe_id) "  # noqa: S608
        f"WHERE r.probe_id IN ({listed(numbers)}) GROUP BY i.dev_eui"
    ).fetchall()
    return {dev_eui: at.astimezone(UTC) for dev_eui, at in told}


def _forget_earlier(probe: ProbeHealth, since: datetime, newest: datetime | None, now: datetime) -> None:
    """Take out what a probe told before it stood there."""
    if probe.last_heard_at is not None and probe.last_heard_at < since:
        probe.last_heard_at = None
    if newest is None or newest < since:
        probe.supply_v = probe.supply_low = probe.tilted = probe.firmware = probe.codec = None
    probe.attention = attention(probe, now)
