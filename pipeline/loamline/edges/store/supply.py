"""What the store tells of each probe's cell: its voltage by the day, and how long it has been in use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import DAY_US, Floats, Ints, floats, group_starts, instants, ints, whole
from loamline.edges.store.connection import Store
from loamline.edges.store.radio import Named, Span
from loamline.edges.store.revisions import CURRENT

#: Probes that are looked at in one go.
BLOCK = 500


@dataclass(frozen=True)
class SupplyDays:
    """One probe's days (since 1970, UTC): medians of supply, V, and of soil temperature, degC (NaN: none)."""

    days: Ints
    supply_v: Floats
    soil_temperature_degc: Floats


def supply_days(store: Store, span: Span, probes: dict[int, Named]) -> Iterator[tuple[int, SupplyDays]]:
    """Yield the days of each of `probes` that told its supply in (since, until], by number."""
    numbers = sorted(probes)
    for first in range(0, len(numbers), BLOCK):
        some = numbers[first : first + BLOCK]
        store.con.register("_some", pa.table({"probe_id": pa.array(some, pa.int32())}))
        rows = store.con.sql(
            f"""
            SELECT probe_id, date_trunc('day', heard_at AT TIME ZONE 'UTC') AS day, median(supply_v) AS supply_v,
                   median(soil_temperature_degc) AS soil_temperature_degc
            FROM {CURRENT} SEMI JOIN _some USING (probe_id)
            WHERE supply_v IS NOT NULL AND age_minutes = 0 AND depth_index = 0 AND heard_at > ? AND heard_at <= ?
            GROUP BY ALL ORDER BY probe_id, day
            """,  # noqa: S608 - our own names
            params=[span.since, span.until],
        ).to_arrow_table()
        store.con.unregister("_some")
        yield from _by_probe(rows)


def in_use_since(store: Store, until: datetime, probes: dict[int, Named]) -> dict[int, tuple[datetime, str]]:
    """Return since when each probe's cell is taken to be in use, and what says so.

    The power-up that its newest status tells of; without one the first uplink of the raw log. A cell that was not new
    then, or one changed while the probe stayed powered, makes this wrong: nothing in the store knows better.
    """
    told: dict[int, tuple[datetime, str]] = {}
    heard = store.con.execute(
        f"SELECT probe_id, min(heard_at) FROM {store.raw_log(until=until)} WHERE heard_at <= ? GROUP BY probe_id",  # noqa: S608
        [until],
    ).fetchall()
    for number, first in heard:
        told[number] = (first, "the first uplink in the raw log")
    powered: list[Any] = store.con.execute(
        """
        SELECT probe_id, heard_at - to_milliseconds(CAST(round(hours_since_power_up * 3.6e6) AS BIGINT)) FROM status
        WHERE hours_since_power_up IS NOT NULL AND heard_at <= ?
        QUALIFY row_number() OVER (PARTITION BY probe_id ORDER BY heard_at DESC, fcnt DESC) = 1
        """,
        [until],
    ).fetchall()
    for number, since in powered:
        told[number] = (since, "the power-up that its status tells of")
    return {number: since for number, since in told.items() if number in probes}


def _by_probe(rows: pa.Table) -> Iterator[tuple[int, SupplyDays]]:
    number = ints(whole(rows, "probe_id"))
    days = instants(whole(rows, "day").cast(pa.timestamp("us"))) // DAY_US
    supply, temperature = floats(whole(rows, "supply_v")), floats(whole(rows, "soil_temperature_degc"))
    starts = np.flatnonzero(group_starts(number))
    for part in np.split(np.arange(len(number)), starts[1:]) if len(number) else []:
        yield int(number[part[0]]), SupplyDays(days[part], supply[part], temperature[part])
