"""The water of a probe's profile for the API: mm from the surface to the root depth, by the hour or the day.

Where each depth sits, in which soil and under which crop, is what the registry says now (as in `profiles`); whose
figures they are, what `api_readings` says. A figure counts unless its verdict is fail or missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import DAY_US, HOUR_US, Ints, floats, instant, instants, ints, whole
from loamline.core.local_time import local_by_site
from loamline.core.reading_summaries import Period
from loamline.core.soil.profile import profile_storage, profile_water
from loamline.core.soil.profiles_of import Profiles, profiles_of
from loamline.edges.store.api_pages import After, Page, Term, parameters, schema_of, where
from loamline.edges.store.api_readings import Wanted, alone_of, probe_numbers
from loamline.edges.store.api_registry import OWN_PLACED
from loamline.edges.store.api_summaries import day_start_us, zones_of
from loamline.edges.store.connection import Store
from loamline.edges.store.placements import PLACED
from loamline.edges.store.readings import ExportColumn
from loamline.edges.store.registry import row_of
from loamline_schemas.columns import INSTANT, Table
from loamline_schemas.registry_tables import CROP, PLACEMENT, SOIL
from loamline_schemas.verdicts import Verdict

_c = ExportColumn
_WHEN = {
    Period.HOURLY: _c("hour", "", INSTANT, "", "beginning of the hour, UTC"),
    Period.DAILY: _c("day", "", pa.date32(), "", "day by the clock of the site"),
}
_TO_ROOTS = "from the surface to the root depth"
_READINGS, _MOST = 16_000, 200_000


def profile_columns(period: Period) -> tuple[ExportColumn, ...]:
    """Return the columns of a page of profiles."""
    return (
        _c("dev_eui", "", pa.string(), "", "EUI-64 of the probe, 16 hex digits"),
        _c("site", "", pa.string(), "", "place"),
        _WHEN[period],
        _c("root_depth_m", "", pa.float64(), "m", "how deep the crop roots; common practice where none is told"),
        _c("storage_mm", "", pa.float64(), "mm", f"water {_TO_ROOTS}; null where a depth is missing"),
        _c("wilting_point_mm", "", pa.float64(), "mm", f"water at the wilting point {_TO_ROOTS}"),
        _c("field_capacity_mm", "", pa.float64(), "mm", f"water at field capacity {_TO_ROOTS}"),
        _c("total_available_mm", "", pa.float64(), "mm", "TAW of FAO-56: field capacity less wilting point"),
        _c("readily_available_mm", "", pa.float64(), "mm", "RAW of FAO-56: what the crop draws without stress"),
        _c("hours", "", pa.int64(), "1", "hours that have a storage, over which it is averaged"),
    )


def profile_page(store: Store, wanted: Wanted, period: Period, after: After | None, limit: int) -> Page:
    """Return the storage of each probe and period, in order of dev_eui and time.

    `after` is (dev_eui, the first instant wanted of it in microseconds since 1970).
    """
    zones, readings = zones_of(store), _READINGS
    while True:
        source = _source(store, wanted, after, readings + 1)
        complete = source.num_rows <= readings
        rows, spans = _rows(store, source, period, zones)
        if not complete:
            rows = rows[: _settled(rows, spans, source)]
        if rows or complete or readings >= _MOST:
            break
        readings *= 4
    kept = min(limit, len(rows))
    while 0 < kept < len(rows) and (rows[kept]["dev_eui"], spans[kept]) == (rows[kept - 1]["dev_eui"], spans[kept - 1]):
        kept += 1  # a profile that changed within the period
    shown = rows[:kept]
    end = None
    if shown and (len(rows) > kept or not complete):
        last = shown[-1]["dev_eui"]
        # A probe that moved into another time zone has days that overlap.
        left = [begin for told, (begin, _) in zip(rows[kept:], spans[kept:], strict=False) if told["dev_eui"] == last]
        end = (last, min([spans[kept - 1][1], *left]))
    return Page(pa.Table.from_pylist(shown, schema=schema_of(profile_columns(period))), end)


def _settled(rows: list[dict[str, Any]], spans: list[tuple[int, int]], source: pa.Table) -> int:
    """Return how many rows, from the first on, no reading after those of `source` can change."""
    last, at = source.column("dev_eui")[-1].as_py(), int(instants(whole(source, "measured_at"))[-1])
    open_ones = (row for row in range(len(rows)) if rows[row]["dev_eui"] == last and spans[row][1] > at)
    return next(open_ones, len(rows))


def _source(store: Store, wanted: Wanted, after: After | None, limit: int) -> pa.Table:
    numbers = probe_numbers(store, wanted, after)
    placed = PLACED if wanted.customer is None else OWN_PLACED
    asked: list[tuple[Any, str, dict[str, Any]]] = [
        (wanted.customer, f"l.site IN (SELECT site FROM {OWN_PLACED})", {"customer": wanted.customer}),  # noqa: S608
        (wanted.site, "o.site = $site", {"site": wanted.site}),
        (wanted.since, "r.measured_at >= $since", {"since": wanted.since}),
        (wanted.until, "r.measured_at < $until", {"until": wanted.until}),
    ]
    terms = [Term(sql, told) for value, sql, told in asked if value is not None]
    if after is not None:
        told = {"dev_eui": after[0], "at": after[1]}
        terms.append(Term("(i.dev_eui, epoch_us(r.measured_at)) >= ($dev_eui, $at)", told))
    query = f"""
        SELECT i.dev_eui, r.probe_id, o.site, o.depth_cm, r.measured_at, r.vwc_m3_m3, r.verdict_flag
        {alone_of(numbers)} JOIN probe_identity i USING (probe_id) JOIN provenance p USING (provenance_id)
        JOIN {placed} o ON o.dev_eui = i.dev_eui AND o.depth_index = r.depth_index
             AND r.measured_at >= o.valid_from AND r.measured_at < o.valid_end
        LEFT JOIN (SELECT DISTINCT digest, site FROM placement) l ON l.digest = p.placement_digest
        WHERE {where(terms)} ORDER BY i.dev_eui, r.measured_at, r.depth_index LIMIT {limit}
    """  # noqa: S608 - our own names
    return store.con.sql(query, params=parameters(terms)).to_arrow_table()


def _rows(
    store: Store, source: pa.Table, period: Period, zones: dict[str, str]
) -> tuple[list[dict[str, Any]], list[tuple[int, int]]]:
    """Return the rows of hours or days, by probe and time; and of each its first hour and its end, microseconds."""
    if not source.num_rows:
        return [], []
    names = sorted(set(source.column("site").to_pylist()))
    codes = {name: code for code, name in enumerate(names)}
    probes = dict(zip(source.column("dev_eui").to_pylist(), ints(whole(source, "probe_id")).tolist(), strict=True))
    held = _profiles(store, names, codes, probes)
    site: Ints = np.array([codes[name] for name in source.column("site").to_pylist()], dtype=np.int64)
    at = instants(whole(source, "measured_at"))
    counting = ~np.isin(ints(whole(source, "verdict_flag")), [int(Verdict.FAIL), int(Verdict.MISSING)])
    made = profile_storage(
        held.profiles,
        held.at(site, ints(whole(source, "probe_id")), at),
        floats(whole(source, "depth_cm")),
        at // HOUR_US,
        floats(whole(source, "vwc_m3_m3")),
        counting,
    )
    by_number = {number: dev_eui for dev_eui, number in probes.items()}
    owners = [held.profiles[number] for number in made.profile.tolist()]
    sites = pa.array([names[owner.site] for owner in owners], pa.string())
    hour_us = made.hour * HOUR_US
    period_us = HOUR_US if period is Period.HOURLY else DAY_US
    number = (hour_us if period is Period.HOURLY else local_by_site(hour_us, sites, zones)) // period_us
    # A profile that changes within a day makes two rows of it.
    groups: dict[tuple[str, int, int], list[float]] = {}
    first: dict[tuple[str, int, int], int] = {}
    for owner, profile, which, storage, at_us in zip(
        owners, made.profile.tolist(), number.tolist(), made.storage_mm.tolist(), hour_us.tolist(), strict=True
    ):
        key = (by_number[owner.probe], which, profile)
        groups.setdefault(key, []).append(storage)
        first[key] = min(at_us, first.get(key, at_us))
    rows, spans = [], []
    for key in sorted(groups, key=lambda key: (key[0], first[key], key)):
        dev_eui, which, profile = key
        told, begin = _row(held, profile, groups[key]), instant(which * period_us)
        told |= {"dev_eui": dev_eui, "site": names[held.profiles[profile].site]}
        told |= {"hour": begin} if period is Period.HOURLY else {"day": begin.date()}
        rows.append(told)
        end = (which + 1) * period_us
        if period is Period.DAILY:
            end = day_start_us(begin.date() + timedelta(days=1), zones.get(told["site"], "UTC"))
        spans.append((first[key], end))
    return rows, spans


def _row(held: Profiles, profile: int, storages: Sequence[float]) -> dict[str, Any]:
    water, known = profile_water(held.profiles[profile]), [told for told in storages if not np.isnan(told)]
    return {
        "root_depth_m": held.profiles[profile].root_depth_m,
        "storage_mm": float(np.mean(known)) if known else None,
        "wilting_point_mm": water.wilting_point_mm,
        "field_capacity_mm": water.field_capacity_mm,
        "total_available_mm": water.total_available_mm,
        "readily_available_mm": water.readily_available_mm,
        "hours": len(known),
    }


def _profiles(store: Store, sites: list[str], codes: dict[str, int], probes: dict[str, int]) -> Profiles:
    """Return the profiles that the registry in force tells of these probes at these sites."""

    def rows(table: Table, column: str, names: list[str]) -> list[Any]:
        found = store.con.sql(
            f'SELECT * FROM "{table.name}" WHERE last_reference_id IS NULL '  # noqa: S608 - our own names
            f"AND {column} IN (SELECT unnest($names)) ORDER BY digest",
            params={"names": names},
        ).to_arrow_table()
        return [row_of(table, stored) for stored in found.to_pylist()]

    placements = rows(PLACEMENT, "dev_eui", [*probes])
    # A probe's other places are told by code only: they end its stay here, and nothing else.
    others = sorted({row.site for row in placements} - set(sites))
    known = codes | {name: len(codes) + number for number, name in enumerate(others)}
    return profiles_of(placements, rows(SOIL, "site", sites), rows(CROP, "site", sites), known, probes)
