"""Readings by the hour or the day for the API: means and extremes of each depth, a page of whole periods at a time."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pyarrow as pa

from loamline.core.columns import HOUR_US, instants, whole
from loamline.core.reading_summaries import NEEDED, Period, summaries, summary_schema
from loamline.edges.store.api_pages import After, Page
from loamline.edges.store.api_readings import Wanted, readings_page
from loamline.edges.store.connection import Store
from loamline.edges.store.radio import microseconds
from loamline.edges.store.readings import COLUMNS

#: Readings that are taken for one row to begin with (a probe that measures each quarter of an hour has 96 a day).
_A_ROW, _LEAST, _MOST = 96, 4_000, 200_000
_COLUMNS = tuple(column for column in COLUMNS if column.name in NEEDED)


def summaries_page(store: Store, wanted: Wanted, period: Period, after: After | None, limit: int) -> Page:
    """Return summaries in order of dev_eui, depth_index and time; columns as `reading_summaries.summary_schema`.

    `after` as `readings_page` has it. A period that `wanted.since` or `until` cuts is told by what lies within them.
    """
    zones = zones_of(store)
    readings = min(max(limit * _A_ROW, _LEAST), _MOST)
    while True:
        source = readings_page(store, wanted, after, readings, _COLUMNS)
        told = [*summaries(source.rows.to_batches(), period, zones)]
        rows = pa.concat_tables(told) if told else summary_schema(period).empty_table()
        kept = _whole_periods(rows, period, limit, complete=source.after is None)
        if kept or not rows.num_rows:
            break
        readings *= 4  # a single period with more readings than that
    shown = rows.slice(0, kept)
    return Page(shown, _next(shown, source.rows, period, zones) if kept < rows.num_rows else None)


def zones_of(store: Store) -> dict[str, str]:
    """Return each site's IANA time zone."""
    return dict(store.con.execute("SELECT site, time_zone FROM site WHERE last_reference_id IS NULL").fetchall())


def day_start_us(day: date, zone: str) -> int:
    """Return when a day begins by a zone's clock, microseconds since 1970 UTC."""
    return microseconds(datetime.combine(day, time(), ZoneInfo(zone)))


def _whole_periods(rows: pa.Table, period: Period, limit: int, *, complete: bool) -> int:
    """Return how many rows make whole periods and are no more than `limit`, unless a single period has more."""
    if complete and rows.num_rows <= limit:
        return int(rows.num_rows)
    keys = _keys(rows, period)
    end: int = min(limit, len(keys) - 1)
    first = end
    while first > 0 and keys[first - 1] == keys[end]:
        first -= 1
    if first or (not complete and keys[-1] == keys[0]):
        return first
    while end < len(keys) and keys[end] == keys[0]:
        end += 1
    return end


def _next(shown: pa.Table, readings: pa.Table, period: Period, zones: Mapping[str, str]) -> After:
    """Return the end of the last period shown; or the first reading not shown, where that lies before it."""
    last = shown.slice(shown.num_rows - 1, 1).to_pylist()[0]
    if period is Period.HOURLY:
        end = microseconds(last["hour"]) + HOUR_US
    else:
        end = day_start_us(last["day"] + timedelta(days=1), zones.get(last["site"] or "", "UTC"))
    row = sum(shown.column("readings").to_pylist())
    following = readings.slice(row, 1)
    same = all(following.column(name).to_pylist() == [last[name]] for name in ("dev_eui", "depth_index"))
    if same:
        end = min(end, int(instants(whole(following, "measured_at"))[0]))
    return last["dev_eui"], last["depth_index"], end


def _keys(rows: pa.Table, period: Period) -> list[tuple[object, ...]]:
    names = ("dev_eui", "depth_index", "hour" if period is Period.HOURLY else "day")
    return [*zip(*(rows.column(name).to_pylist() for name in names), strict=True)]
