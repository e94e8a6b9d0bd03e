"""Where one probe is and was, in which soil, and between which water contents it stands well there."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from loamline.core.soil.standing import Place
from loamline.edges.store.api_pages import Term, count_of, parameters, rows_of, where
from loamline.edges.store.api_registry import PLACEMENTS, SITES, own_placements, own_sites
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import row_of
from loamline_schemas.columns import Table
from loamline_schemas.registry import CropRow, PlacementRow, SoilRow
from loamline_schemas.registry_tables import CROP, PLACEMENT, SOIL

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


def site_seen(store: Store, customer: str | None, site: str | None) -> dict[str, Any] | None:
    """Return one of the registry's sites, columns as `api_registry.SITES`; None where it may not be seen."""
    return None if site is None else sites_seen(store, customer, [site]).get(site)


def site_zone(store: Store, customer: str | None, site: str | None) -> str | None:
    """Return the IANA time zone of a site; None where it may not be seen."""
    seen = site_seen(store, customer, site)
    return None if seen is None else str(seen["time_zone"])


def sites_seen(store: Store, customer: str | None, names: Collection[str]) -> dict[str, dict[str, Any]]:
    """Return those of the registry's sites that may be seen, of some names, by name."""
    named = Term("list_contains($names, s.site)", {"names": [*names]})
    return {row["site"]: row for row in rows_of(store, SITES, [*own_sites(customer), named])}


def sites_listed(store: Store, customer: str | None, start: int, limit: int) -> list[dict[str, Any]]:
    """Return up to `limit` of the sites that may be seen from number `start` on, by name."""
    return rows_of(store, SITES, own_sites(customer), start=start, limit=limit)


def count_sites(store: Store, customer: str | None) -> int:
    """Return how many sites may be seen."""
    return count_of(store, SITES, own_sites(customer))


def placements_of(store: Store, customer: str | None, dev_eui: str) -> list[dict[str, Any]]:
    """Return a probe's placements that may be seen, by depth and time: columns as `api_registry.PLACEMENTS`."""
    own = [*own_placements(customer), Term("l.dev_eui = $dev_eui", {"dev_eui": dev_eui})]
    return rows_of(store, PLACEMENTS, own)


@dataclass(frozen=True)
class PlacedAt:
    """What is placed at a site at one instant."""

    store: Store
    customer: str | None
    site: str
    at: datetime

    @property
    def _terms(self) -> list[Term]:
        held = "l.site = $site AND l.valid_from <= $at AND l.valid_end > $at"
        return [*own_placements(self.customer), Term(held, {"site": self.site, "at": self.at})]

    def count_probes(self) -> int:
        """Return how many probes stand there."""
        sql = f"SELECT count(DISTINCT l.dev_eui) {PLACEMENTS.source} WHERE {where(self._terms)}"
        return int(self.store.scalar(sql, parameters(self._terms)))

    def probes(self, start: int, limit: int) -> list[tuple[str, list[dict[str, Any]]]]:
        """Return up to `limit` probes from number `start` on, by dev_eui, each with its placements by depth."""
        some = (
            f"l.dev_eui IN (SELECT DISTINCT l.dev_eui {PLACEMENTS.source} WHERE {where(self._terms)} "
            f"ORDER BY l.dev_eui LIMIT {int(limit)} OFFSET {int(start)})"
        )
        rows = rows_of(self.store, PLACEMENTS, [*self._terms, Term(some)])
        return [(dev_eui, list(placed)) for dev_eui, placed in groupby(rows, key=lambda row: str(row["dev_eui"]))]

    def bounds(self) -> dict[float, Bounds]:
        """Return the bounds of each depth in cm, of the first probe that has it."""
        rows = self.store.con.execute(
            f"SELECT l.depth_cm, min((l.dev_eui, l.depth_index)) {PLACEMENTS.source} "
            f"WHERE {where(self._terms)} GROUP BY 1 ORDER BY 1",
            parameters(self._terms),
        ).fetchall()
        of_probe = [(depth, index, bounds_of(self.store, dev_eui, self.at)) for depth, (dev_eui, index) in rows]
        return {depth: told[index] for depth, index, told in of_probe if index in told}


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
