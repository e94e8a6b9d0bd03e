"""Raw-log rows as the writer would store them: name only what a test is about."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pyarrow as pa

from loamline.core.deliveries import delivery_columns
from loamline_schemas.uplink import Uplink
from tests.core.registry_builder import dev_eui

START = datetime(2026, 5, 1, tzinfo=UTC)

#: Payload version 1: count 1850, 15.00 degC, 3.60 V, firmware 2.5, counter 42.
MOIST = "01073A05DCA025002A"


def delivery(
    minutes: float = 0.0,
    *,
    clock: str = "network",
    probe: int = 1,
    fcnt: int = 7,
    fport: int = 10,
    payload: str = MOIST,
    dev_addr: str | None = "26000001",
    receptions: tuple[dict[str, Any], ...] = (),
    reference: int = 1,
) -> pa.Table:
    """Return one delivery, heard `minutes` after the start, as one raw-log row.

    `clock` tells who says when: "network", "gateway" or "ours", where the message itself carries no time.
    """
    instant = START + timedelta(minutes=minutes)
    told: dict[str, Any] = {"heard_at": instant} if clock == "network" else {}
    if clock == "gateway":
        receptions = ({"gateway": "clockwise", "heard_at": instant}, *receptions)
    uplink = Uplink.model_validate(
        {
            "dev_eui": dev_eui(probe),
            "dev_addr": dev_addr,
            "fcnt": fcnt,
            "fport": fport,
            "payload_hex": payload,
            "receptions": receptions,
            **told,
        }
    )
    row = delivery_columns([uplink], instant)
    row = row.append_column("probe_id", pa.array([probe], pa.int32()))
    return row.append_column("reference_id", pa.array([reference], pa.int32()))


def log(*rows: pa.Table) -> pa.Table:
    """Return deliveries as one table; none gives an empty one."""
    return pa.concat_tables(rows) if rows else delivery().slice(0, 0)


def measurement_v1(count: int, temperature_degc: float = 15.0, counter: int = 42) -> str:
    """Return a version 1 payload as hex: 3.60 V, firmware 2.5."""
    raw = count.to_bytes(2) + round(temperature_degc * 100).to_bytes(2, signed=True)
    return "01" + raw.hex() + "A025" + counter.to_bytes(2).hex()


def measurement_v3(*counts: int, interval_minutes: int = 60, counter: int = 513) -> str:
    """Return a version 3 payload as hex, the newest count first: 3.588 V, firmware 4.0, 10.5 degC."""
    head = bytes([0x30 + len(counts) - 1]) + counter.to_bytes(2, "little") + bytes.fromhex("0400040E")
    samples = b"".join(count.to_bytes(2, "little") + bytes([21]) for count in counts)
    return (head + bytes([interval_minutes, 0]) + samples).hex()


def reception(gateway: str, rssi_dbm: float | None, snr_db: float | None, antenna: int | None = None) -> dict[str, Any]:
    """Return one gateway's copy."""
    return {"gateway": gateway, "rssi_dbm": rssi_dbm, "snr_db": snr_db, "antenna": antenna}
