"""What the registry says now of sites, probes and their places, as Arrow tables with units for exports and notebooks.

A selection keeps to its probes and its site here too, so that an export tells nothing of anybody else's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from loamline.edges.store.connection import Store
from loamline.edges.store.readings import Selection
from loamline_schemas.columns import INSTANT


def _field(name: str, kind: pa.DataType, unit: str, meaning: str) -> pa.Field:
    return pa.field(name, kind, metadata={"unit": unit, "meaning": meaning})


_TEXT, _NUMBER = pa.string(), pa.float64()
PLACEMENTS = pa.schema(
    [
        _field("dev_eui", _TEXT, "", "EUI-64 of the probe, 16 hex digits"),
        _field("serial", _TEXT, "", "serial number"),
        _field("site", _TEXT, "", "place"),
        _field("label", _TEXT, "", "where on the site"),
        _field("depth_index", pa.uint8(), "1", "which of the probe's depths, 0 the shallowest"),
        _field("depth_cm", _NUMBER, "cm", "depth below the surface"),
        _field("texture", _TEXT, "", "USDA texture class of the soil there"),
        _field("valid_from", INSTANT, "", "since when it sits there, UTC"),
        _field("valid_to", INSTANT, "", "until when, itself not included, UTC; empty: to this day"),
        _field("curve", _TEXT, "", "soil curve that beats the texture's; empty: none told"),
        _field("deficit_below", _NUMBER, "m3/m3", "zone deficit below this water content; empty: by soil and crop"),
        _field("excess_above", _NUMBER, "m3/m3", "zone excess above this water content; empty: by soil and crop"),
        _field("time_zone", _TEXT, "", "IANA time zone of the site"),
    ]
)
SITES = pa.schema(
    [
        _field("site", _TEXT, "", "place"),
        _field("customer", _TEXT, "", "whose it is"),
        _field("latitude_deg", _NUMBER, "deg", "WGS 84, north positive"),
        _field("longitude_deg", _NUMBER, "deg", "WGS 84, east positive"),
        _field("time_zone", _TEXT, "", "IANA time zone"),
    ]
)
PROBES = pa.schema(
    [
        _field("dev_eui", _TEXT, "", "EUI-64 of the probe, 16 hex digits"),
        _field("serial", _TEXT, "", "serial number; empty where the probe is in no registry"),
        _field("hardware", _TEXT, "", "hardware revision"),
        _field("made_on", pa.date32(), "", "day on which it was made"),
    ]
)


def _placed(among: str = "") -> str:
    return f"""(
        SELECT * EXCLUDE (valid_to), least(
            coalesce(valid_to, 'infinity'),
            coalesce(lead(valid_from) OVER (PARTITION BY dev_eui, depth_index ORDER BY valid_from, digest), 'infinity')
        ) AS valid_end
        FROM placement WHERE last_reference_id IS NULL {among}
    )"""  # noqa: S608 - our own words


def standing(among: str = "") -> str:
    """Return SQL for who every probe is at `$at`, and where it stands then, as the registry now has it.

    Columns: probe_id, dev_eui, serial, hardware (null where it is in no registry), placed_since (null: nowhere), site
    and labels, of all its depths. `among` is SQL for the dev_euis that are wanted, all of them where it is empty.
    """
    some = f"AND dev_eui IN ({among})" if among else ""
    return f"""(
        SELECT i.probe_id, i.dev_eui, b.serial, b.hardware, min(l.valid_from) AS placed_since, min(l.site) AS site,
               coalesce(list(DISTINCT l.label ORDER BY l.label) FILTER (l.label IS NOT NULL), []) AS labels
        FROM probe_identity i
        LEFT JOIN (
            SELECT dev_eui, serial, hardware FROM probe WHERE last_reference_id IS NULL {some}
            QUALIFY row_number() OVER (
                PARTITION BY dev_eui
                ORDER BY (valid_from IS NULL OR valid_from <= $at) DESC, valid_from DESC NULLS LAST, digest
            ) = 1
        ) b ON b.dev_eui = i.dev_eui
        LEFT JOIN {_placed(some)} l ON l.dev_eui = i.dev_eui AND l.valid_from <= $at AND l.valid_end > $at
        WHERE true {some.replace("dev_eui", "i.dev_eui", 1)}
        GROUP BY i.probe_id, i.dev_eui, b.serial, b.hardware
    )"""  # noqa: S608 - our own words


#: The placements in force. As for readings (`core.timeline`), one ends where it says or where the next one of that
#: depth begins; of those that begin together the last one holds. Ask nobody else where a probe stands.
PLACED = _placed()
# A probe may have several factory records, each valid from some instant: the serial is the newest one's.
_NEWEST_RECORD = """(
    SELECT DISTINCT ON (dev_eui) dev_eui, serial, hardware, made_on FROM probe WHERE last_reference_id IS NULL
    ORDER BY dev_eui, valid_from DESC NULLS LAST
)"""
_PLACEMENTS = f"""
    SELECT p.dev_eui, b.serial, p.site, p.label, p.depth_index, p.depth_cm, p.texture, p.valid_from,
           nullif(p.valid_end, 'infinity'), p.curve, p.deficit_below, p.excess_above, s.time_zone
    FROM {PLACED} p LEFT JOIN {_NEWEST_RECORD} b USING (dev_eui)
    LEFT JOIN site s ON s.site = p.site AND s.last_reference_id IS NULL
    WHERE p.valid_end > p.valid_from AND ($site IS NULL OR p.site = $site)
      AND ($dev_euis IS NULL OR list_contains($dev_euis, p.dev_eui))
    ORDER BY p.dev_eui, p.depth_index, p.valid_from
"""  # noqa: S608 - our own words
_SITES = """
    SELECT s.site, s.customer, s.latitude_deg, s.longitude_deg, s.time_zone FROM site s
    WHERE s.last_reference_id IS NULL AND ($site IS NULL OR s.site = $site)
      AND ($dev_euis IS NULL OR s.site IN (
          SELECT site FROM placement WHERE last_reference_id IS NULL AND list_contains($dev_euis, dev_eui)))
    ORDER BY s.site
"""
_PROBES = f"""
    SELECT i.dev_eui, b.serial, b.hardware, b.made_on
    FROM probe_identity i LEFT JOIN {_NEWEST_RECORD} b USING (dev_eui)
    WHERE ($dev_euis IS NULL OR list_contains($dev_euis, i.dev_eui))
      AND ($site IS NULL OR i.dev_eui IN (
          SELECT dev_eui FROM placement WHERE last_reference_id IS NULL AND site = $site))
    ORDER BY i.dev_eui
"""  # noqa: S608 - our own words


@dataclass(frozen=True)
class Surroundings:
    """What an export tells beside the readings: placements and sites, columns as PLACEMENTS and SITES."""

    placements: pa.Table
    sites: pa.Table

    @property
    def zones(self) -> dict[str, str]:
        """Each site's IANA time zone."""
        return dict(zip(*(self.sites.column(name).to_pylist() for name in ("site", "time_zone")), strict=True))


#: For readings that come without a registry: every time is UTC then.
NO_SURROUNDINGS = Surroundings(PLACEMENTS.empty_table(), SITES.empty_table())


def surroundings(store: Store, selection: Selection) -> Surroundings:
    """Return the placements and sites that belong to a selection of readings, whatever its span of time."""
    return Surroundings(placements(store, selection), sites(store, selection))


def placements(store: Store, selection: Selection | None = None) -> pa.Table:
    """Return the placements in force in the registry; columns as PLACEMENTS, by dev_eui, depth_index and valid_from."""
    return _table(store, _PLACEMENTS, PLACEMENTS, selection)


def sites(store: Store, selection: Selection | None = None) -> pa.Table:
    """Return the registry's sites; columns as SITES, by name."""
    return _table(store, _SITES, SITES, selection)


def probes(store: Store, selection: Selection | None = None) -> pa.Table:
    """Return every probe that was heard or registered; columns as PROBES, by dev_eui."""
    return _table(store, _PROBES, PROBES, selection)


def _table(store: Store, query: str, schema: pa.Schema, selection: Selection | None) -> pa.Table:
    chosen = Selection() if selection is None else selection
    told: dict[str, Any] = {
        "site": chosen.site,
        "dev_euis": None if chosen.dev_euis is None else list(chosen.dev_euis),
    }
    rows = store.con.sql(query, params=told).to_arrow_table()
    return rows.rename_columns(schema.names).cast(schema)
