"""A site's water for a page: storage of the root zone, and each depth's water content, in stretches of whole hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loamline.core.columns import HOUR_US, Floats, floats, instant, instants, ints, whole
from loamline.core.soil.profile import profile_storage
from loamline.core.soil.profiles_of import profiles_of
from loamline.core.soil.site_hours import HeldWater, SiteHours
from loamline.edges.store.api_pages import parameters, where
from loamline.edges.store.api_readings import Wanted, probe_numbers, source_of
from loamline.edges.store.connection import Store
from loamline.edges.store.page_series import hours_of
from loamline.edges.store.registry import row_of
from loamline_schemas.columns import Table
from loamline_schemas.registry_tables import CROP, PLACEMENT, SOIL
from loamline_schemas.verdicts import Verdict

_FIGURES = ("storage_mm", "wilting_point_mm", "field_capacity_mm", "readily_available_mm", "root_depth_m")
_COUNTS = f"r.vwc_m3_m3 IS NOT NULL AND r.verdict_flag NOT IN ({int(Verdict.FAIL)}, {int(Verdict.MISSING)})"


@dataclass(frozen=True)
class StorageStretch:
    """Water of one stretch, the mean over the probes that have all their depths; mm from the surface to the roots."""

    at: datetime
    storage_mm: float
    wilting_point_mm: float
    field_capacity_mm: float
    readily_available_mm: float
    root_depth_m: float
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


@dataclass(frozen=True)
class SiteWater:
    """A site over a span: its depths by depth and time, its root zone by time, and how many readings have which word.

    Depths, layers, root depth and depletion fraction are what the registry says now.
    """

    depths: list[DepthStretch]
    storage: list[StorageStretch]
    verdicts: dict[str, int]


def water_of(store: Store, wanted: Wanted) -> SiteWater:
    """Return the water of a site; `wanted` names site, since and until. Its readings are read once."""
    hours = hours_of(wanted)
    stretches = _stretches(store, wanted, hours)
    counts = {flag.word: int(pc.sum(stretches.column(flag.word)).as_py() or 0) for flag in Verdict}
    return SiteWater(
        depths=_depths(stretches),
        storage=_storage(store, wanted, stretches, hours),
        verdicts={word: count for word, count in counts.items() if count},
    )


def _stretches(store: Store, wanted: Wanted, hours: int) -> pa.Table:
    """Return a row a probe, depth and stretch: sums over the readings that count, and how many have which verdict."""
    terms = wanted.terms()
    each = ", ".join(f"count(*) FILTER (r.verdict_flag = {int(flag)}) AS {flag.word}" for flag in Verdict)
    return store.con.sql(
        f"""
        SELECT r.probe_id, l.depth_cm, epoch_us(r.measured_at) // {hours * HOUR_US} AS stretch,
               min(r.measured_at) AS measured_at, min(r.measured_at) FILTER ({_COUNTS}) AS at,
               count(*) FILTER ({_COUNTS}) AS readings, sum(r.vwc_m3_m3) FILTER ({_COUNTS}) AS vwc_sum,
               min(r.vwc_m3_m3) FILTER ({_COUNTS}) AS vwc_min, max(r.vwc_m3_m3) FILTER ({_COUNTS}) AS vwc_max,
               sum(r.plant_available_fraction) FILTER ({_COUNTS}) AS fraction_sum,
               count(r.plant_available_fraction) FILTER ({_COUNTS}) AS fractions, {each}
        {source_of(probe_numbers(store, wanted, None))}
        WHERE {where(terms)} GROUP BY ALL ORDER BY l.depth_cm, stretch, r.probe_id
        """,
        params=parameters(terms),
    ).to_arrow_table()


def _depths(stretches: pa.Table) -> list[DepthStretch]:
    counting = stretches.filter(pc.greater(stretches.column("readings"), 0))
    found = counting.group_by(["depth_cm", "stretch"], use_threads=False).aggregate(
        [
            ("at", "min"),
            ("readings", "sum"),
            ("probe_id", "count"),
            ("vwc_min", "min"),
            ("vwc_sum", "sum"),
            ("vwc_max", "max"),
            ("fraction_sum", "sum"),
            ("fractions", "sum"),
        ]
    )
    return [
        DepthStretch(
            row["depth_cm"],
            row["at_min"],
            row["readings_sum"],
            row["probe_id_count"],
            row["vwc_min_min"],
            row["vwc_sum_sum"] / row["readings_sum"],
            row["vwc_max_max"],
            row["fraction_sum_sum"] / row["fractions_sum"] if row["fractions_sum"] else None,
        )
        for row in found.to_pylist()
    ]


def _storage(store: Store, wanted: Wanted, stretches: pa.Table, hours: int) -> list[StorageStretch]:
    """Return the stretches in which a probe at least has all its depths; one that lacks a depth doesn't count."""
    if not stretches.num_rows:
        return []
    told = _by_stretch(store, wanted, stretches)
    return [
        StorageStretch(
            at=instant(int(told.hour[row]) * hours * HOUR_US),
            probes=int(told.probes[row]),
            **{name: float(getattr(told, name)[row]) for name in _FIGURES},
        )
        for row in np.flatnonzero(~np.isnan(told.storage_mm)).tolist()
    ]


def _by_stretch(store: Store, wanted: Wanted, stretches: pa.Table) -> SiteHours:
    """Return the site's water by stretch, which stands for the hour: storage is as linear in water as a mean is."""
    seen = set(pc.unique(stretches.column("probe_id")).to_pylist())
    numbers = {
        dev_eui: number
        for dev_eui, number in store.con.execute("SELECT dev_eui, probe_id FROM probe_identity").fetchall()
        if number in seen
    }
    placements = _rows(store, PLACEMENT, "dev_eui", [*numbers])
    codes = {name: code for code, name in enumerate(sorted({row.site for row in placements} | {str(wanted.site)}))}
    soils, crops = (_rows(store, table, "site", [*codes]) for table in (SOIL, CROP))
    held = profiles_of(placements, soils, crops, codes, numbers)
    probe, at = ints(whole(stretches, "probe_id")), instants(whole(stretches, "measured_at"))
    site = np.full(len(probe), codes[str(wanted.site)], dtype=np.int64)
    readings = ints(whole(stretches, "readings"))
    vwc: Floats = floats(whole(stretches, "vwc_sum")) / np.maximum(readings, 1)
    made = profile_storage(
        held.profiles,
        held.at(site, probe, at),
        floats(whole(stretches, "depth_cm")),
        ints(whole(stretches, "stretch")),
        vwc,
        readings > 0,
    )
    return HeldWater(held.profiles).site_hours(made)


def _rows(store: Store, table: Table, column: str, names: list[str]) -> list[Any]:
    found = store.con.sql(
        f'SELECT * FROM "{table.name}" WHERE last_reference_id IS NULL '  # noqa: S608 - our own names
        f"AND list_contains($names, {column}) ORDER BY digest",
        params={"names": names},
    ).to_arrow_table()
    return [row_of(table, stored) for stored in found.to_pylist()]
