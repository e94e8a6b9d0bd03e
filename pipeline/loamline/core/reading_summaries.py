"""Readings by the hour or by the day: means and extremes of each depth of each probe, one pass over a sorted stream.

A figure counts unless its verdict is fail or missing. The uncertainty of a mean is the mean of the uncertainties: most
of it is the curve's, which all readings of a depth share, so that averaging does not make it smaller (JCGM 100, section
5.2).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loamline.core.columns import DAY_US, HOUR_US, Ints, arrow, instants, whole
from loamline.core.local_time import local_by_site
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import GRAVEST_FIRST, Verdict


class Period(StrEnum):
    """What one row of a summary covers: an hour of UTC, or a day by the clock of the site."""

    HOURLY = "hourly"
    DAILY = "daily"


def _field(name: str, kind: pa.DataType, unit: str, meaning: str) -> pa.Field:
    return pa.field(name, kind, metadata={"unit": unit, "meaning": meaning})


_KEYS = ("dev_eui", "serial", "site", "label", "depth_index", "depth_cm")
_HEAD = (
    _field("dev_eui", pa.string(), "", "EUI-64 of the probe, 16 hex digits"),
    _field("serial", pa.string(), "", "serial number in the registry; empty where the probe is in none"),
    _field("site", pa.string(), "", "place; empty where the probe was not placed then"),
    _field("label", pa.string(), "", "where on the site"),
    _field("depth_index", pa.uint8(), "1", "which of the probe's depths, 0 the shallowest"),
    _field("depth_cm", pa.float64(), "cm", "depth below the surface"),
)
_WHEN = {
    Period.HOURLY: _field("hour", INSTANT, "", "beginning of the hour, UTC"),
    Period.DAILY: _field("day", pa.date32(), "", "day by the clock of the site; of UTC where there is none"),
}
_COUNTED = "of readings that neither failed nor are missing"
_FIGURES = (
    _field("readings", pa.int64(), "1", "how many samples came"),
    _field("counted", pa.int64(), "1", "how many of them neither failed nor are missing"),
    _field("vwc_m3_m3", pa.float64(), "m3/m3", f"mean volumetric water content {_COUNTED}"),
    _field("vwc_min_m3_m3", pa.float64(), "m3/m3", f"least water content {_COUNTED}"),
    _field("vwc_max_m3_m3", pa.float64(), "m3/m3", f"greatest water content {_COUNTED}"),
    _field("vwc_uncertainty_m3_m3", pa.float64(), "m3/m3", "standard uncertainty of the mean: mean over the readings"),
    _field("plant_available_fraction", pa.float64(), "1", f"mean {_COUNTED}: 0 wilting point, 1 field capacity"),
    _field("soil_temperature_degc", pa.float64(), "Cel", f"mean soil temperature at that depth {_COUNTED}"),
    _field("soil_temperature_min_degc", pa.float64(), "Cel", f"lowest soil temperature {_COUNTED}"),
    _field("soil_temperature_max_degc", pa.float64(), "Cel", f"highest soil temperature {_COUNTED}"),
    _field("supply_v", pa.float64(), "V", "lowest supply voltage of all samples"),
    _field("verdict", pa.string(), "", "gravest verdict of all samples; leave fail out, look twice at suspect"),
)
_GRAVITY = {verdict.word: rank for rank, verdict in enumerate(GRAVEST_FIRST)}
_LEAST_GRAVE = len(_GRAVITY) - 1
_AGGREGATES = [
    ("verdict_rank", "count"),
    ("counted", "sum"),
    ("vwc_m3_m3", "mean"),
    ("vwc_m3_m3", "min"),
    ("vwc_m3_m3", "max"),
    ("vwc_uncertainty_m3_m3", "mean"),
    ("plant_available_fraction", "mean"),
    ("soil_temperature_degc", "mean"),
    ("soil_temperature_degc", "min"),
    ("soil_temperature_degc", "max"),
    ("supply_v", "min"),
    ("verdict_rank", "min"),
]
#: Columns that a stream of readings needs for it.
NEEDED = (*_KEYS, "measured_at", "vwc_m3_m3", "vwc_uncertainty_m3_m3", "plant_available_fraction",
          "soil_temperature_degc", "supply_v", "verdict")  # fmt: skip


def summary_schema(period: Period) -> pa.Schema:
    """Return the columns of a summary, unit and meaning in each field's metadata."""
    return pa.schema([*_HEAD, _WHEN[period], *_FIGURES])


def summaries(batches: Iterable[pa.RecordBatch], period: Period, zones: Mapping[str, str]) -> Iterator[pa.Table]:
    """Yield the summary of readings that come in order of dev_eui, depth_index and measured_at; columns as its schema.

    `batches` have the columns NEEDED, and maybe more; `zones` gives each site's IANA time zone. Only the rows of the
    period that a batch ends in are held back, so that memory does not grow with the stream.
    """
    held: pa.Table | None = None
    for batch in batches:
        readings = pa.Table.from_batches([batch]).select(NEEDED)
        told = _prepared(readings.filter(pc.is_valid(readings.column("measured_at"))), period, zones)
        table = told if held is None else pa.concat_tables([held, told])
        if not table.num_rows:
            continue
        last = _last_group(table)
        if last:
            yield _grouped(table.slice(0, last), period)
        held = table.slice(last).combine_chunks()
    if held is not None and held.num_rows:
        yield _grouped(held, period)


def _prepared(readings: pa.Table, period: Period, zones: Mapping[str, str]) -> pa.Table:
    """Return the readings with the number of their period, and with nothing in the figures that don't count."""
    at = instants(whole(readings, "measured_at"))
    if period is Period.HOURLY:
        number: Ints = at // HOUR_US
    else:
        number = local_by_site(at, whole(readings, "site"), zones) // DAY_US
    verdict = whole(readings, "verdict")
    counted = pc.fill_null(pc.invert(pc.is_in(verdict, pa.array([Verdict.FAIL.word, Verdict.MISSING.word]))), False)  # noqa: FBT003 - Arrow's own
    columns = {name: readings.column(name) for name in NEEDED if name not in ("measured_at", "verdict")}
    for name in ("vwc_m3_m3", "vwc_uncertainty_m3_m3", "plant_available_fraction", "soil_temperature_degc"):
        columns[name] = pc.if_else(counted, whole(readings, name), None)
    words = verdict.dictionary_encode()
    ranks_of = [_GRAVITY.get(word, _LEAST_GRAVE) for word in words.dictionary.to_pylist()]
    ranks = pa.array(ranks_of, pa.int64()).take(words.indices).fill_null(_LEAST_GRAVE)
    return pa.table(
        {**columns, "counted": counted.cast(pa.int64()), "verdict_rank": ranks, "period": pa.array(number, pa.int64())}
    )


def _last_group(table: pa.Table) -> int:
    """Return the row at which the table's last group begins."""
    same = np.ones(table.num_rows, dtype=bool)
    for name in (*_KEYS, "period"):
        codes = whole(table, name).dictionary_encode().indices.fill_null(-1)
        numbers = np.asarray(codes.to_numpy(zero_copy_only=False))
        same &= numbers == numbers[-1]
    different = np.flatnonzero(~same)
    return int(different[-1]) + 1 if len(different) else 0


def _grouped(table: pa.Table, period: Period) -> pa.Table:
    keys = [*_KEYS, "period"]
    # Arrow gives groups in the order of its hash table: the first row of each puts them right. One thread, so that sums
    # are taken in the order of the rows and come out the same each time.
    numbered = table.append_column("row", pa.array(np.arange(table.num_rows)))
    made = numbered.group_by(keys, use_threads=False).aggregate([*_AGGREGATES, ("row", "min")]).sort_by("row_min")
    number = np.asarray(whole(made, "period").to_numpy(zero_copy_only=False), dtype=np.int64)
    days = pa.array(number, pa.int32()).cast(pa.date32()) if period is Period.DAILY else None
    when = arrow(number * HOUR_US, INSTANT) if days is None else days
    words = [verdict.word for verdict in GRAVEST_FIRST]
    figures = [made.column(f"{name}_{how}") for name, how in _AGGREGATES[:-1]]
    verdict = pa.array([words[rank] for rank in made.column("verdict_rank_min").to_pylist()], pa.string())
    columns = [*(made.column(name) for name in _KEYS), when, *figures, verdict]
    schema = summary_schema(period)
    return pa.table(
        [column.cast(field.type) for column, field in zip(columns, schema, strict=True)], schema=schema
    ).combine_chunks()
