"""From canonical uplinks to raw-log columns.

Everything that reaches the raw log goes through `delivery_columns`, so that one message gives one row, bit for
bit, whichever way it came in.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.identity import CLOCK
from loamline_schemas.columns import INSTANT, RECEPTION
from loamline_schemas.uplink import HEARD_AT_SOURCES, Reception, Uplink

#: Raw-log columns that a message itself decides; the writer adds its own.
TOLD = pa.schema(
    [
        ("dev_eui", pa.string()),
        ("dev_addr", pa.uint32()),
        ("fcnt", pa.uint32()),
        ("fport", pa.uint8()),
        ("payload", pa.binary()),
        ("heard_at", INSTANT),
        ("heard_at_source", pa.uint8()),
        ("frequency_hz", pa.uint32()),
        ("spreading_factor", pa.uint8()),
        ("bandwidth_hz", pa.uint32()),
        ("coding_rate", pa.string()),
        ("confirmed", pa.bool_()),
        ("network", pa.string()),
        ("receptions", pa.list_(RECEPTION)),
        ("digest", pa.uint64()),
    ]
)


#: Its sentences are hashed, and stored digests must hold: it never changes.
_ENCODER = json.JSONEncoder(default=str, separators=(",", ":"))


def delivery_columns(uplinks: Sequence[Uplink], received_at: datetime) -> pa.Table:
    """Return n uplinks as raw-log columns (`TOLD`), in their order.

    `received_at` is our own clock; it stands in where the message carries no time at all.
    """
    rows = [_row(uplink, received_at) for uplink in uplinks]
    columns = dict(zip(TOLD.names, zip(*rows, strict=True), strict=True)) if rows else dict.fromkeys(TOLD.names, ())
    receptions = columns.pop("receptions")
    heard = [reception for some in receptions for reception in some]
    arrays = {name: pa.array(columns[name], TOLD.field(name).type) for name in columns}
    parts = [pa.array([getattr(one, field.name) for one in heard], field.type) for field in RECEPTION]
    ends = np.cumsum([0, *(len(some) for some in receptions)])
    arrays["receptions"] = pa.ListArray.from_arrays(
        pa.array(ends, pa.int32()), pa.StructArray.from_arrays(parts, fields=list(RECEPTION))
    )
    return pa.Table.from_arrays([arrays[name] for name in TOLD.names], schema=TOLD)


def heard_at(uplink: Uplink, received_at: datetime) -> tuple[datetime, int]:
    """Return when an uplink was heard and whose clock said so (index into HEARD_AT_SOURCES)."""
    if uplink.heard_at is not None:
        return uplink.heard_at, HEARD_AT_SOURCES.index("network")
    told = [reception.heard_at for reception in uplink.receptions if reception.heard_at is not None]
    return (min(told), HEARD_AT_SOURCES.index("gateway")) if told else (received_at, CLOCK)


def _row(uplink: Uplink, received_at: datetime) -> tuple[Any, ...]:
    """Return one value for each column of TOLD, in order."""
    instant, source = heard_at(uplink, received_at)
    receptions = uplink.receptions
    if len(receptions) > 1:
        receptions = tuple(sorted(receptions, key=_reception_order))
    payload = uplink.payload
    told = {
        "dev_eui": uplink.dev_eui,
        "dev_addr": None if uplink.dev_addr is None else int(uplink.dev_addr, 16),
        "fcnt": uplink.fcnt,
        "fport": uplink.fport,
        "payload": payload,
        "heard_at": instant,
        "heard_at_source": source,
        "frequency_hz": uplink.frequency_hz,
        "spreading_factor": uplink.spreading_factor,
        "bandwidth_hz": uplink.bandwidth_hz,
        "coding_rate": uplink.coding_rate,
        "confirmed": uplink.confirmed,
        "network": uplink.network,
    }
    written = _ENCODER.encode(
        {**told, "payload": payload.hex(), "receptions": [reception.__dict__ for reception in receptions]}
    )
    digest = int.from_bytes(hashlib.blake2b(written.encode(), digest_size=8).digest())
    return (*told.values(), receptions, digest)


def _reception_order(reception: Reception) -> tuple[str, int, float, float, str]:
    lowest = float("-inf")
    return (
        reception.gateway,
        -1 if reception.antenna is None else reception.antenna,
        lowest if reception.snr_db is None else reception.snr_db,
        lowest if reception.rssi_dbm is None else reception.rssi_dbm,
        f"{reception.heard_at} {reception.latitude_deg} {reception.longitude_deg}",
    )
