"""Where one probe is and was, in which soil, and between which water contents it stands well there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from loamline.core.soil.standing import Place
from loamline.edges.store.api_pages import Term, page_of
from loamline.edges.store.api_registry import PLACEMENTS, SITES, own_placements, own_sites
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import row_of
from loamline_schemas.columns import Table
from loamline_schemas.registry import CropRow, PlacementRow, SoilRow
from loamline_schemas.registry_tables import CROP, PLACEMENT, SOIL

_MOST = 2_000
FOREVER = datetime(9999, 12, 31, tzinfo=UTC)
_FIRST = datetime(1, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Bounds:
    """Water contents of one depth, m3/m3: wilting point, end of readily available water, field capacity, saturation."""

    wilting_point: float
    deficit_below: float
    excess_above: float
    saturation: float
    texture: str
    crop: str | None
    origin: str


def sites_seen(store: Store, customer: str | None) -> dict[str, dict[str, Any]]:
    """Return the registry's sites that may be seen, by name: columns as `api_registry.SITES`."""
    rows = page_of(store, SITES, own_sites(customer), limit=_MOST).rows.to_pylist()
    return {row["site"]: row for row in rows}


def placements_of(store: Store, customer: str | None, dev_eui: str) -> list[dict[str, Any]]:
    """Return a probe's placements that may be seen, by depth and time: columns as `api_registry.PLACEMENTS`."""
    own = [*own_placements(customer), Term("l.dev_eui = $dev_eui", {"dev_eui": dev_eui})]
    rows: list[dict[str, Any]] = page_of(store, PLACEMENTS, own, limit=_MOST).rows.to_pylist()
    return rows


def probes_at(store: Store, customer: str | None, site: str, at: datetime) -> list[dict[str, Any]]:
    """Return the placements of a site that hold at an instant, by probe and depth."""
    terms = [
        *own_placements(customer),
        Term(
            "l.site = $site AND l.valid_from <= $at AND l.valid_end > $at",
            {"site": site, "at": at},
        ),
    ]
    rows: list[dict[str, Any]] = page_of(store, PLACEMENTS, terms, limit=_MOST).rows.to_pylist()
    return rows


def bounds_of(store: Store, dev_eui: str, at: datetime) -> dict[int, Bounds]:
    """Return the bounds of each depth of a probe that is placed at an instant, as the registry now tells them."""
    begun = [row for row in _in_force(store, PLACEMENT, "dev_eui", dev_eui) if row.valid_from <= at]
    placed: dict[int, PlacementRow] = {row.depth_index: row for row in sorted(begun, key=lambda row: row.valid_from)}
    # Where the newest of a depth has ended, an earlier one without an end doesn't hold again.
    placed = {index: row for index, row in placed.items() if _holds(row, at)}
    told: dict[int, Bounds] = {}
    for index, row in placed.items():
        soils: list[SoilRow] = _in_force(store, SOIL, "site", row.site)
        crops: list[CropRow] = _in_force(store, CROP, "site", row.site)
        layer = _newest((one for one in soils if one.top_cm <= row.depth_cm < one.bottom_cm), at)
        crop = _newest(crops, at)
        place = Place.of(row, layer, crop)
        bounds = place.bounds
        told[index] = Bounds(
            place.water.wilting_point,
            float(bounds.deficit_below[0]),
            float(bounds.excess_above[0]),
            place.water.saturation,
            row.texture,
            None if crop is None else crop.crop,
            place.water.origins[1],
        )
    return told


def _in_force(store: Store, table: Table, column: str, name: str) -> list[Any]:
    rows = store.con.sql(
        f'SELECT * FROM "{table.name}" WHERE last_reference_id IS NULL AND "{column}" = ?',  # noqa: S608 - our own names
        params=[name],
    ).to_arrow_table()
    return [row_of(table, row) for row in rows.to_pylist()]


def _holds(row: Any, at: datetime) -> bool:
    return (row.valid_from or _FIRST) <= at < (row.valid_to or FOREVER)


def _newest(rows: Iterable[Any], at: datetime) -> Any:
    return max((row for row in rows if _holds(row, at)), key=lambda row: row.valid_from or _FIRST, default=None)
