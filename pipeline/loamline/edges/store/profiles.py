"""The water of every site by the hour, out of the stored readings: a stream of Arrow batches in order of time.

Readings come from the store in order of time and are worked off hour by hour, so that memory doesn't grow with the
span. Their water contents are the stored ones; at which site and depth each was taken, in which layers and under
which crop, is what the registry says now.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import HOUR_US, Floats, Ints, arrow, floats, instants, ints, whole
from loamline.core.reference import Catalogue, Reference, microseconds
from loamline.core.soil.profile import profile_storage
from loamline.core.soil.profiles_of import profiles_of
from loamline.core.soil.site_hours import HeldWater, SiteHours
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import ExportColumn
from loamline.edges.store.registry import latest_reference, load_state, probe_ids
from loamline.edges.store.revisions import CURRENT
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import Verdict

_TO_ROOTS = "from the surface to the root depth"
_AT_FC = f"water at field capacity {_TO_ROOTS}"
_TAW = "TAW of FAO-56: field_capacity_mm less wilting_point_mm"
_RAW = "RAW of FAO-56: what the crop draws of it without stress"
_DEPLETION = "field_capacity_mm less storage_mm; beyond readily_available_mm the crop is short of water"
_SILENT = "how many more sent readings then, but lack a depth or a verdict that counts"


def _c(name: str, arrow: pa.DataType, unit: str, meaning: str) -> ExportColumn:
    return ExportColumn(name, "", arrow, unit, meaning)


COLUMNS = (
    _c("site", pa.string(), "", "place"),
    _c("hour", INSTANT, "", "beginning of the hour, UTC"),
    _c("root_depth_m", pa.float64(), "m", "how deep the crop roots"),
    _c("storage_mm", pa.float64(), "mm", f"water {_TO_ROOTS}; empty where a depth is missing"),
    _c("wilting_point_mm", pa.float64(), "mm", f"water at the wilting point {_TO_ROOTS}"),
    _c("field_capacity_mm", pa.float64(), "mm", _AT_FC),
    _c("depletion_mm", pa.float64(), "mm", _DEPLETION),
    _c("total_available_mm", pa.float64(), "mm", _TAW),
    _c("readily_available_mm", pa.float64(), "mm", _RAW),
    _c("probes", pa.int64(), "1", "over how many probes the means are taken"),
    _c("silent_probes", pa.int64(), "1", _SILENT),
)
SCHEMA = pa.schema([column.field for column in COLUMNS])


@dataclass(frozen=True)
class Span:
    """Which hours, those that begin in the half-open span [since, until), at which site (None: all)."""

    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def clause(self) -> tuple[str, list[int]]:
        """Return the terms on `measured_at_us`, whole hours of them, and their parameters."""
        told = (("measured_at >= make_timestamptz(?)", self.since), ("measured_at < make_timestamptz(?)", self.until))
        terms = [(term, -(-microseconds(end) // HOUR_US) * HOUR_US) for term, end in told if end is not None]
        return "".join(f" AND {term}" for term, _ in terms), [end for _, end in terms]


class _Sites:
    """The registry as it stands now, ready to say what a reading belongs to."""

    def __init__(self, store: Store) -> None:
        numbers = probe_ids(store)
        state = load_state(store, latest_reference(store))
        self.names = sorted({row.site for row in state.placements})
        self._codes = {name: code for code, name in enumerate(self.names)}
        self._catalogue = Catalogue()
        self._reference = Reference(state, numbers, self._catalogue)
        self._profiles = profiles_of(state.placements, state.soils, state.crops, self._codes, numbers)
        self._water = HeldWater(self._profiles.profiles)
        self.probe_ids: dict[str, set[int]] = {}
        for row in state.placements:
            self.probe_ids.setdefault(row.site, set()).add(numbers[row.dev_eui])

    def hours(self, readings: pa.Table, counting: Ints, site: str | None) -> SiteHours:
        """Return the rows of whole hours of readings, the given site's alone where one is named."""
        probe, at = ints(whole(readings, "probe_id")), instants(whole(readings, "measured_at"))
        placement = self._reference.resolve(probe, ints(whole(readings, "depth_index")), at).placement
        rows = self._catalogue.placements.rows
        site_of = np.array([*(self._codes[row.site] for row in rows), -1], dtype=np.int64)[placement]
        depth_cm: Floats = np.array([*(row.depth_cm for row in rows), np.nan])[placement]
        wanted = np.flatnonzero((site_of >= 0) if site is None else (site_of == self._codes[site]))
        made = profile_storage(
            self._profiles.profiles,
            self._profiles.at(site_of[wanted], probe[wanted], at[wanted]),
            depth_cm[wanted],
            at[wanted] // HOUR_US,
            floats(whole(readings, "vwc_m3_m3"))[wanted],
            np.isin(ints(whole(readings, "verdict_flag"))[wanted], counting),
        )
        return self._water.site_hours(made)


def site_hours(
    store: Store, span: Span, verdicts: tuple[Verdict, ...] = (Verdict.PASS,), batch_rows: int = 524_288
) -> pa.RecordBatchReader:
    """Return the water of each site and hour that has readings, in order of hour, then site; columns as `SCHEMA`.

    `verdicts` tells whose water contents count. A stream: until it is read to its end the store's connection
    answers nothing else.
    """
    sites = _Sites(store)
    counting = np.array([int(verdict) for verdict in verdicts], dtype=np.int64)
    of_site = None if span.site is None else sorted(sites.probe_ids.get(span.site, ()))
    return pa.RecordBatchReader.from_batches(
        SCHEMA,
        (
            _batch(sites.names, sites.hours(readings, counting, span.site))
            for readings in _whole_hours(_readings(store, span, of_site, batch_rows))
        ),
    )


def _readings(store: Store, span: Span, of_probes: list[int] | None, batch_rows: int) -> pa.RecordBatchReader:
    where, told = span.clause()
    parameters: list[Any] = [*told]
    if of_probes is not None:
        where += " AND probe_id IN (SELECT unnest(?::INTEGER[]))"
        parameters.append(of_probes)
    query = (
        f"SELECT probe_id, depth_index, measured_at, vwc_m3_m3, verdict_flag FROM {CURRENT} "  # noqa: S608 - our own words
        f"WHERE true{where} ORDER BY measured_at"
    )
    return store.con.sql(query, params=parameters).to_arrow_reader(batch_rows)


def _whole_hours(stream: pa.RecordBatchReader) -> Iterator[pa.Table]:
    """Yield readings, which come in order of time, in tables that no hour reaches across."""
    held: list[pa.Table] = []
    for batch in stream:
        table = pa.Table.from_batches([batch])
        hour = instants(whole(table, "measured_at")) // HOUR_US
        if not len(hour):
            continue
        last = int(np.searchsorted(hour, hour[-1]))
        if last or (held and instants(whole(held[-1], "measured_at"))[-1] // HOUR_US != hour[-1]):
            yield pa.concat_tables([*held, table.slice(0, last)])
            held = []
        held.append(table.slice(last))
    if held:
        yield pa.concat_tables(held)


def _batch(names: list[str], told: SiteHours) -> pa.RecordBatch:
    columns = {
        **vars(told),
        "site": pa.array([names[code] for code in told.site.tolist()], pa.string()),
        "hour": arrow(told.hour * HOUR_US, INSTANT),
    }
    arrays = [
        columns[field.name] if isinstance(columns[field.name], pa.Array) else arrow(columns[field.name], field.type)
        for field in SCHEMA
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=SCHEMA)
