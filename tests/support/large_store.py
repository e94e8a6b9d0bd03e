"""Large stores, made in bulk: a fleet of count probes and their hourly uplinks, derived under one registry state."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import HOUR_US, ints, whole
from loamline.core.deliveries import delivery_columns
from loamline.core.derive import derive
from loamline.core.reference import RegistryState
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.registry import insert, probe_ids, registry, save_state
from loamline_codecs import builtin_codecs
from loamline_schemas.columns import INSTANT
from loamline_schemas.curves import Curve
from loamline_schemas.registry import PlacementRow, ProbeRow, SiteRow
from loamline_schemas.tables import READING, STATUS, UPLINK
from loamline_schemas.uplink import Reception, Uplink

START = datetime(2025, 3, 1, tzinfo=UTC)
_SINCE = datetime(2020, 1, 1, tzinfo=UTC)
_DERIVED_AT_ONCE = 100_000


def dev_eui(number: int) -> str:
    """Return the EUI-64 of the fleet's probe `number`, locally administered."""
    return f"02CC{number:012X}"


def fleet_registry(probes: int, *, slope: float = 0.0) -> RegistryState:
    """Return a fleet on one site under one polynomial soil curve; another `slope` revises it."""
    return RegistryState(
        sites=(SiteRow(site="s", customer="c", latitude_deg=1, longitude_deg=2, time_zone="UTC"),),
        probes=tuple(
            ProbeRow(
                dev_eui=dev_eui(number),
                serial=f"S{number}",
                hardware="P1",
                made_on=date(2019, 6, 1),
                air_count=500,
                water_count=3500,
                count_per_k=-0.8,
            )
            for number in range(probes)
        ),
        placements=tuple(
            PlacementRow(
                dev_eui=dev_eui(number),
                depth_index=0,
                site="s",
                label=f"p{number}",
                depth_cm=10,
                texture="loam",
                valid_from=_SINCE,
                valid_to=None,
            )
            for number in range(probes)
        ),
        curves=(
            Curve(
                id="bench",
                step="transducer",
                kind="polynomial",
                coefficients=(1, 30, 49),
                domain=(0, 1),
                applies_to="P1",
                valid_from=_SINCE,
            ),
            Curve(
                id="soil",
                step="soil",
                kind="polynomial",
                coefficients=(-0.05 + slope, 0.025, -0.0003),
                domain=(1.8, 41),
                valid_from=_SINCE,
            ),
        ),
    )


def uplink(number: int, hour: int) -> Uplink:
    """Return what probe `number` sent in hour `hour` after START, spread over that hour."""
    payload = (
        builtin_codecs()
        .by_name("measurement-v1")
        .build(
            {"supply_v": 3.6, "firmware": "2.5", "sample_counter": hour % 65536},
            [{"moisture_count": 1800 - hour % 600, "soil_temperature_degc": 15.0 + hour % 24 / 4}],
        )
    )
    return Uplink(
        dev_eui=dev_eui(number),
        payload_hex=payload.hex(),
        heard_at=START + timedelta(hours=hour, seconds=number % 3600),
        fcnt=hour,
        fport=10,
        dev_addr="01020304",
        spreading_factor=9,
        frequency_hz=868_100_000,
        bandwidth_hz=125_000,
        coding_rate="4/5",
        receptions=(Reception(gateway="gw-a", rssi_dbm=-101.5, snr_db=-2.25),),
    )


def fleet_store(path: Path, probes: int, hours: int) -> None:
    """Make a store of `probes` times `hours` uplinks and readings, in order of time as a daemon stores them."""
    codecs = builtin_codecs()
    with Store.open(path, create=True) as store:
        save_state(store, fleet_registry(probes), "bench")
        numbers = probe_ids(store)
        of_one = delivery_columns([uplink(0, hour) for hour in range(hours)], START)
        ids = np.array([numbers[dev_eui(number)] for number in range(probes)], dtype=np.int64)
        raw = _fleet_deliveries(of_one, ids)
        insert(store, UPLINK, raw)
        known, provenances = registry(store, numbers), Provenances(store)
        per_probe = max(1, _DERIVED_AT_ONCE // hours)
        readings, statuses = [], []
        for first in range(0, probes, per_probe):
            mine = np.isin(ints(whole(raw, "probe_id")), ids[first : first + per_probe])
            derived = derive(raw.filter(pa.array(mine)), codecs, known)
            readings.append(provenances.numbered(derived))
            statuses.append(derived.statuses)
        insert(store, READING, pa.concat_tables(readings).sort_by("measured_at"))
        insert(store, STATUS, pa.concat_tables(statuses).sort_by("heard_at"))
        store.con.execute("CHECKPOINT")
        store.write_watermark(raw.num_rows)


def _fleet_deliveries(of_one: pa.Table, ids: Any) -> pa.Table:
    """Return the raw log of a whole fleet, hour by hour, of what one probe of it sent."""
    hours, probes = of_one.num_rows, len(ids)
    hour, number = np.divmod(np.arange(hours * probes), probes)
    start_us = int(START.timestamp()) * 1_000_000
    heard_us = start_us + hour * HOUR_US + number % 3600 * 1_000_000
    columns = {name: whole(of_one, name).take(pa.array(hour)) for name in of_one.column_names}
    columns |= {
        "seq": pa.array(np.arange(1, hours * probes + 1)),
        "probe_id": pa.array(ids[number], pa.int32()),
        "heard_at": pa.array(heard_us).cast(INSTANT),
        # Any number stands for a delivery's content as long as no two are equal.
        "digest": pa.array(np.arange(1, hours * probes + 1, dtype=np.uint64)),
        "reference_id": pa.array(np.ones(hours * probes), pa.int32()),
        "stored_at": pa.array(heard_us).cast(INSTANT),
    }
    return pa.Table.from_arrays([columns[name] for name in UPLINK.names], schema=UPLINK.schema)
