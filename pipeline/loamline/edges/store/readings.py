"""The readings as people ask for them: one query behind every export, as a stream of Arrow batches.

Internal numbers are resolved to what they stand for, and nothing that depends on the order of arrival is told, so
that the same uplinks give the same rows whichever way and in whatever order they came.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pyarrow as pa

from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import CURRENT
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import RangeCause, Verdict, Zone


@dataclass(frozen=True)
class ExportColumn:
    """One column of an export: its Arrow type, unit (a UCUM code; empty for text and times) and meaning.

    `sql` is its expression over `r` (reading), `i` (probe_identity), `p` (provenance), `b` (probe) and
    `l` (placement).
    """

    name: str
    sql: str
    arrow: pa.DataType
    unit: str
    meaning: str

    @property
    def field(self) -> pa.Field:
        """The Arrow field, unit and meaning in its metadata."""
        return pa.field(self.name, self.arrow, metadata={"unit": self.unit, "meaning": self.meaning})


@dataclass(frozen=True)
class Selection:
    """Which readings: of these probes (None: all), at this site, measured in the half-open span [since, until)."""

    dev_euis: tuple[str, ...] | None = None
    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def clause(self) -> tuple[str, list[Any]]:
        """Return the WHERE clause, empty for everything, and its parameters."""
        told: list[tuple[str, list[Any]]] = []
        if self.dev_euis is not None:
            told.append((f"i.dev_eui IN ({', '.join('?' * len(self.dev_euis)) or 'NULL'})", [*self.dev_euis]))
        if self.site is not None:
            told.append(("l.site = ?", [self.site]))
        if self.since is not None:
            told.append(("r.measured_at >= ?", [self.since]))
        if self.until is not None:
            told.append(("r.measured_at < ?", [self.until]))
        where = " WHERE " + " AND ".join(term for term, _ in told) if told else ""
        return where, [value for _, values in told for value in values]


def _in_words(column: str, words: dict[int, str]) -> str:
    cases = " ".join(f"WHEN {number} THEN '{word}'" for number, word in words.items())
    return f"CASE {column} {cases} END"


def _flag(name: str) -> str:
    return _in_words(f"r.{name}_flag", {int(flag): flag.word for flag in Verdict})


_CAUSE = _in_words("r.range_cause", {int(cause): cause.word for cause in RangeCause})
_TEXT = pa.string()
_VERDICTS = "pass, not_evaluated, suspect, fail or missing (QARTOD flags, IOC Manuals and Guides 54 volume 3)"
_AVAILABLE = "what plants can draw: 0 at the wilting point, 1 at field capacity"
_ZONES = {int(zone): zone.word for zone in Zone}
_c = ExportColumn

COLUMNS = (
    _c("dev_eui", "i.dev_eui", _TEXT, "", "EUI-64 of the probe, 16 hex digits"),
    _c("serial", "b.serial", _TEXT, "", "serial number in the registry; empty where the probe is in none"),
    _c("site", "l.site", _TEXT, "", "place; empty where the probe was not placed then"),
    _c("label", "l.label", _TEXT, "", "where on the site"),
    _c("depth_index", "r.depth_index", pa.uint8(), "1", "which of the probe's depths, 0 the shallowest"),
    _c("depth_cm", "l.depth_cm", pa.float64(), "cm", "depth below the surface"),
    _c("measured_at", "r.measured_at", INSTANT, "", "when the sample was taken, UTC"),
    _c("moisture_count", "r.moisture_count", pa.int32(), "{count}", "raw figure of the transducer, as sent"),
    _c("permittivity", "r.permittivity", pa.float64(), "1", "relative permittivity of the soil"),
    _c("vwc_m3_m3", "r.vwc_m3_m3", pa.float64(), "m3/m3", "volumetric water content: water's share of the volume"),
    _c("vwc_uncertainty_m3_m3", "r.vwc_uncertainty_m3_m3", pa.float64(), "m3/m3", "standard uncertainty (JCGM 100)"),
    _c("plant_available_fraction", "r.plant_available_fraction", pa.float64(), "1", _AVAILABLE),
    _c("zone", _in_words("r.zone", _ZONES), _TEXT, "", "deficit, adequate or excess, by the place's soil and crop"),
    _c("soil_temperature_degc", "r.soil_temperature_degc", pa.float64(), "Cel", "soil temperature at that depth"),
    _c("conductivity_ds_m", "r.conductivity_ds_m", pa.float64(), "dS/m", "bulk electrical conductivity"),
    _c("supply_v", "r.supply_v", pa.float64(), "V", "the probe's supply voltage"),
    _c("firmware", "r.firmware_major || '.' || r.firmware_minor", _TEXT, "", "firmware, major.minor"),
    _c("tilted", "r.tilted", pa.bool_(), "", "the probe is not upright; empty where its payload does not say"),
    _c("cold_start", "r.cold_start", pa.bool_(), "", "first measurement after a power-up"),
    _c("supply_low", "r.supply_low", pa.bool_(), "", "the supply sagged during the measurement"),
    _c("verdict", _flag("verdict"), _TEXT, "", f"the worst of the checks: {_VERDICTS}"),
    _c("range", _flag("range"), _TEXT, "", "is each figure possible, and usual for soil?"),
    _c("range_cause", _CAUSE, _TEXT, "", "why the range check said so; empty where it found nothing"),
    _c("spike", _flag("spike"), _TEXT, "", "does the sample stand off both its neighbours?"),
    _c("stuck", _flag("stuck"), _TEXT, "", "has the raw figure stopped moving?"),
    _c("frost", _flag("frost"), _TEXT, "", "is the soil frozen, so that it reads falsely dry?"),
    _c("supply", _flag("supply"), _TEXT, "", "was the probe's supply too low, or sagging?"),
    _c("contact", _flag("contact"), _TEXT, "", "is the probe upright, and in the soil?"),
    _c("fall", _flag("fall"), _TEXT, "", "did the water leave faster than soil can drain?"),
    _c("codec", "p.codec", _TEXT, "", "payload version that the probe spoke"),
    _c("transducer_curve", "p.transducer_curve", _TEXT, "", "curve from count to permittivity"),
    _c("soil_curve", "p.soil_curve", _TEXT, "", "curve from permittivity to water content"),
    _c("best_rssi_dbm", "r.best_rssi_dbm", pa.float64(), "dBm", "strongest signal over the gateways that heard it"),
    _c("best_snr_db", "r.best_snr_db", pa.float64(), "dB", "best signal-to-noise ratio over those gateways"),
    _c("gateways", "r.gateways", pa.uint16(), "1", "how many gateways heard the uplink"),
    _c("conflicts", "r.conflicts", pa.uint16(), "1", "other samples of the same instant that told other figures"),
    _c("texture", "l.texture", _TEXT, "", "USDA texture class of the soil there"),
    _c("heard_at", "r.heard_at", INSTANT, "", "when the uplink that carried the sample was heard, UTC"),
    _c("age_minutes", "r.age_minutes", pa.int32(), "min", "how much older the sample is than its uplink"),
)

SCHEMA = pa.schema([column.field for column in COLUMNS])

# A digest may stand in several spans of registry states; equal digests are equal rows.
_FROM = """
    FROM {reading} r JOIN probe_identity i USING (probe_id) JOIN {provenance} p USING (provenance_id)
    LEFT JOIN (SELECT DISTINCT digest, serial FROM probe) b ON b.digest = p.probe_digest
    LEFT JOIN (SELECT DISTINCT digest, site, label, depth_cm, texture FROM placement) l ON l.digest = p.placement_digest
"""


_NOW = _FROM.format(reading=CURRENT, provenance="provenance")


def count_readings(store: Store, selection: Selection) -> int:
    """Return how many readings `selection` holds."""
    where, parameters = selection.clause()
    ((count,),) = store.con.sql(f"SELECT count(*){_NOW}{where}", params=parameters).fetchall()
    return int(count)


def readings(store: Store, selection: Selection, batch_rows: int = 32_768) -> pa.RecordBatchReader:
    """Return the readings of `selection` in order of dev_eui, depth_index and measured_at; columns as `SCHEMA`.

    A stream: until it is read to its end the store's connection answers nothing else.
    """
    query, parameters = _query(_NOW, selection)
    stream = store.con.sql(query, params=parameters).to_arrow_reader(batch_rows)
    # The query's own types are those of SCHEMA; casting only adds units and meanings.
    return pa.RecordBatchReader.from_batches(SCHEMA, (batch.cast(SCHEMA) for batch in stream))


def digests_by_probes(store: Store, selection: Selection, together: int) -> dict[int, tuple[int, str]]:
    """Return rows and digest of what `readings` gives of each so many probes together, by probe_id // `together`.

    Equal digests mean equal rows, whatever their order; another release of DuckDB may give other ones.
    """
    where, parameters = selection.clause()
    told = ", ".join(column.sql for column in COLUMNS)
    rows_of_part = f"SELECT r.probe_id // {together} AS part, hash({told}) AS digest{_NOW}{where}"
    query = f"SELECT part, count(*), bit_xor(digest), sum(digest) FROM ({rows_of_part}) GROUP BY part ORDER BY part"  # noqa: S608 - our own words
    found = store.con.sql(query, params=parameters).fetchall()
    return {int(part): (int(rows), f"{rows:x}-{either:x}-{total:x}") for part, rows, either, total in found}


def readings_of(store: Store, selection: Selection, reading: str, provenance: str) -> pa.Table:
    """Return the same of two other tables, by name, that have the columns of READING and PROVENANCE."""
    query, parameters = _query(_FROM.format(reading=reading, provenance=provenance), selection)
    return store.con.sql(query, params=parameters).to_arrow_table().cast(SCHEMA)


def _query(source: str, selection: Selection) -> tuple[str, list[Any]]:
    where, parameters = selection.clause()
    told = ", ".join(f'{column.sql} AS "{column.name}"' for column in COLUMNS)
    return f"SELECT {told}{source}{where} ORDER BY i.dev_eui, r.depth_index, r.measured_at", parameters
