"""Uplinks of an invented fleet as canonical JSON, and what a store holds of them, for comparing stores."""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa

from loamline.core.reference import RegistryState
from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.support.registry_rows import SITES, curve_rows, placement_row, probe_row

START = datetime(2026, 1, 10, tzinfo=UTC)
_LONG_AGO = START - timedelta(days=400)
#: A third each of payload version 1, 3 (with older samples) and 4 (two depths).
PROBES = tuple(f"02AA0000000001{number:02X}" for number in range(12))

_READINGS = """
    SELECT dev_eui, reading.* EXCLUDE (probe_id, provenance_id), provenance.* EXCLUDE (provenance_id)
    FROM reading JOIN probe_identity USING (probe_id) JOIN provenance USING (provenance_id)
    ORDER BY dev_eui, depth_index, measured_at
"""
_RAW_LOG = "SELECT dev_eui, fcnt, payload FROM uplink JOIN probe_identity USING (probe_id)"


def fleet(seed: int) -> Iterator[dict[str, Any]]:
    """Yield canonical uplinks without end, hour by hour, in a winter with frost, faults, lost uplinks and strangers."""
    rng = random.Random(seed)
    soil = {dev_eui: [1500.0, 4.0] for dev_eui in PROBES}
    hour = 0
    while True:
        for number, dev_eui in enumerate(PROBES):
            count, degc = soil[dev_eui]
            soil[dev_eui] = [
                min(3400, max(600, count + rng.choice([0, 0, 1, -1, -6, 250, -240]))),
                min(6, max(-3, degc + rng.uniform(-0.6, 0.6))),
            ]
            if rng.random() < 0.05:
                continue  # the radio lost it
            heard_at = START + timedelta(hours=hour, minutes=4 * number, seconds=rng.randrange(60))
            yield _uplink(rng, dev_eui, hour, heard_at, _payload(rng, number, hour, *soil[dev_eui]))
        hour += 1


def _payload(rng: random.Random, number: int, hour: int, count: float, degc: float) -> bytes:
    codecs = builtin_codecs()
    if rng.random() < 0.01:
        return bytes([0x7F, hour % 256])  # a version that no codec knows: it is set aside
    told: dict[str, Any] = {"supply_v": 3.6, "firmware": "2.5", "sample_counter": hour % 4096}
    fault = rng.random() < 0.02
    newest = {"moisture_count": None if fault else round(count), "soil_temperature_degc": degc}
    if number % 3 == 0:
        return codecs.by_name("measurement-v1").build(uplink=told, samples=[newest])
    if number % 3 == 1:
        older = [{"moisture_count": round(count) + back, "soil_temperature_degc": degc} for back in range(hour % 3)]
        return codecs.by_name("measurement-v3").build(uplink={**told, "interval_minutes": 60}, samples=[newest, *older])
    depths = [{"permittivity": 10 + count / 500 + depth, "soil_temperature_degc": degc} for depth in range(2)]
    return codecs.by_name("measurement-v4").build(uplink=told, samples=depths)


def _uplink(rng: random.Random, dev_eui: str, fcnt: int, heard_at: datetime, payload: bytes) -> dict[str, Any]:
    gateways = ["gw-barn", "gw-church"][: rng.choice([1, 1, 2])]
    return {
        "dev_eui": dev_eui,
        "dev_addr": f"0102{int(dev_eui[-4:], 16):04X}",
        "fport": 10,
        "fcnt": fcnt,
        "payload_hex": payload.hex(),
        "heard_at": heard_at.isoformat(),
        "spreading_factor": 9,
        "receptions": [
            {"gateway": gateway, "rssi_dbm": -100 - rng.random(), "snr_db": rng.uniform(-10, 5)} for gateway in gateways
        ],
    }


def as_bytes(uplink: dict[str, Any]) -> bytes:
    """Return the message body that carries one uplink."""
    return json.dumps(uplink).encode()


def raw_key(uplink: dict[str, Any]) -> tuple[str, int, bytes]:
    """Return what tells one uplink of `fleet` from every other."""
    return uplink["dev_eui"], uplink["fcnt"], bytes.fromhex(uplink["payload_hex"])


def registered_store(path: Path) -> Store:
    """Return a new store at `path` in which most of the fleet is registered, placed and calibrated."""
    store = Store.open(path, create=True)
    save_state(store, _registry(), "test")
    return store


def _registry() -> RegistryState:
    known = PROBES[:9]  # the others are strangers: stored, decoded, uncalibrated
    return RegistryState(
        sites=SITES,
        probes=tuple(probe_row(dev_eui) for dev_eui in known),
        placements=tuple(placement_row(dev_eui, dev_eui[-2:], _LONG_AGO) for dev_eui in known),
        curves=curve_rows(_LONG_AGO),
    )


def import_at_once(path: Path, uplinks: Sequence[dict[str, Any]]) -> None:
    """Make a store at `path` from the uplinks in one batch, in order: what any other way must come to."""
    with registered_store(path) as store:
        Writer(store, builtin_codecs()).commit([read_canonical(as_bytes(uplink), "file") for uplink in uplinks])


def readings(path: Path) -> pa.Table:
    """Return every reading of the store at `path` with what made it, internal numbers resolved, in order."""
    with Store.open(path) as store:
        return store.con.sql(_READINGS).to_arrow_table()


def raw_log(path: Path) -> Counter[tuple[str, int, bytes]]:
    """Return how often each uplink stands in the raw log of the store at `path`, by `raw_key`."""
    with Store.open(path) as store:
        return Counter((dev_eui, fcnt, bytes(payload)) for dev_eui, fcnt, payload in store.con.sql(_RAW_LOG).fetchall())
