"""A site's water for a page: storage of the root zone, and each depth's water content, in stretches of whole hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loamline.core.columns import HOUR_US, Floats, Ints, floats, instant, instants, ints, whole
from loamline.core.soil.profile import profile_storage
from loamline.core.soil.profiles_of import profiles_of
from loamline.core.soil.site_hours import HeldWater, SiteHours
from loamline.edges.store.api_pages import parameters, where
from loamline.edges.store.api_readings import Wanted, probe_numbers, source_of
from loamline.edges.store.connection import Store
from loamline.edges.store.page_series import stretch_hours
from loamline.edges.store.registry import row_of
from loamline_schemas.columns import Table
from loamline_schemas.registry_tables import CROP, PLACEMENT, SOIL
from loamline_schemas.verdicts import Verdict

_FIGURES = ("storage_mm", "wilting_point_mm", "field_capacity_mm", "readily_available_mm", "root_depth_m")
_COUNTS = f"r.verdict_flag NOT IN ({int(Verdict.FAIL)}, {int(Verdict.MISSING)})"


@dataclass(frozen=True)
class StorageStretch:
    """Means over the hours of one stretch that have a storage; mm from the surface to the root depth."""

    at: datetime
    storage_mm: float
    wilting_point_mm: float
    field_capacity_mm: float
    readily_available_mm: float
    root_depth_m: float
    hours: int
    probes: int


@dataclass(frozen=True)
class DepthStretch:
    """One depth of a site over one stretch: figures of readings that neither failed nor are missing, all probes'."""

    depth_cm: float
    at: datetime
    readings: int
    probes: int
    vwc_min_m3_m3: float
    vwc_mean_m3_m3: float
    vwc_max_m3_m3: float
    plant_available_fraction: float | None


def depths_of(store: Store, wanted: Wanted) -> list[DepthStretch]:
    """Return the stretches of every depth of a site, by depth and time; `wanted` names site, since and until."""
    hours = _hours(wanted)
    terms = wanted.terms()
    rows = store.con.execute(
        f"""
        SELECT l.depth_cm, min(r.measured_at), count(*), count(DISTINCT r.probe_id), min(r.vwc_m3_m3),
               avg(r.vwc_m3_m3), max(r.vwc_m3_m3), avg(r.plant_available_fraction)
        {source_of(probe_numbers(store, wanted, None))}
        WHERE r.vwc_m3_m3 IS NOT NULL AND {_COUNTS} AND {where(terms)}
        GROUP BY l.depth_cm, epoch_us(r.measured_at) // {hours * HOUR_US} ORDER BY 1, 2
        """,
        parameters(terms),
    ).fetchall()
    return [DepthStretch(*row) for row in rows]


def storage_of(store: Store, wanted: Wanted) -> list[StorageStretch]:
    """Return the water of a site's root zone by stretches that have any, in order of time.

    Hours in which a probe lacks a depth have no storage of that probe. Depths, layers, root depth and depletion
    fraction are what the registry says now.
    """
    hours = _hours(wanted)
    readings = _readings(store, wanted)
    if not readings.num_rows:
        return []
    by_hour = _by_hour(store, wanted, readings)
    known = ~np.isnan(by_hour.storage_mm)
    stretch = by_hour.hour[known] // hours
    told = []
    for number in np.unique(stretch).tolist():
        of: Ints = np.flatnonzero(known)[stretch == number]
        figures = {name: float(np.mean(getattr(by_hour, name)[of])) for name in _FIGURES}
        at = instant(int(by_hour.hour[of[0]]) * HOUR_US)
        told.append(StorageStretch(at=at, hours=len(of), probes=int(by_hour.probes[of].max()), **figures))
    return told


def _hours(wanted: Wanted) -> int:
    if wanted.since is None or wanted.until is None:
        raise ValueError("expected a span with both ends, got one that is open")
    return stretch_hours(wanted.since, wanted.until)


def _readings(store: Store, wanted: Wanted) -> pa.Table:
    terms = wanted.terms()
    return store.con.sql(
        f"""
        SELECT r.probe_id, l.depth_cm, epoch_us(r.measured_at) // {HOUR_US} AS hour, min(r.measured_at) AS measured_at,
               avg(r.vwc_m3_m3) FILTER ({_COUNTS}) AS vwc_m3_m3
        {source_of(probe_numbers(store, wanted, None))}
        WHERE {where(terms)}
        GROUP BY ALL ORDER BY hour
        """,
        params=parameters(terms),
    ).to_arrow_table()


def _by_hour(store: Store, wanted: Wanted, readings: pa.Table) -> SiteHours:
    seen = set(pc.unique(readings.column("probe_id")).to_pylist())
    numbers = {
        dev_eui: number
        for dev_eui, number in store.con.execute("SELECT dev_eui, probe_id FROM probe_identity").fetchall()
        if number in seen
    }
    placements = _rows(store, PLACEMENT, "dev_eui", [*numbers])
    codes = {name: code for code, name in enumerate(sorted({row.site for row in placements} | {str(wanted.site)}))}
    soils, crops = (_rows(store, table, "site", [*codes]) for table in (SOIL, CROP))
    held = profiles_of(placements, soils, crops, codes, numbers)
    probe, at = ints(whole(readings, "probe_id")), instants(whole(readings, "measured_at"))
    site = np.full(len(probe), codes[str(wanted.site)], dtype=np.int64)
    vwc: Floats = floats(whole(readings, "vwc_m3_m3"))
    made = profile_storage(
        held.profiles,
        held.at(site, probe, at),
        floats(whole(readings, "depth_cm")),
        ints(whole(readings, "hour")),
        vwc,
        ~np.isnan(vwc),
    )
    return HeldWater(held.profiles).site_hours(made)


def _rows(store: Store, table: Table, column: str, names: list[str]) -> list[Any]:
    found = store.con.sql(
        f'SELECT * FROM "{table.name}" WHERE last_reference_id IS NULL '  # noqa: S608 - our own names
        f"AND list_contains($names, {column}) ORDER BY digest",
        params={"names": names},
    ).to_arrow_table()
    return [row_of(table, stored) for stored in found.to_pylist()]
