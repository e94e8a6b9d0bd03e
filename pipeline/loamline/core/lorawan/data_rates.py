"""LoRaWAN data rates by region: what a data-rate index means on the air, and how much it may carry.

Source: LoRa Alliance RP002-1.0.5 and LoRaWAN Regional Parameters 1.0.3 rev A, the tables for a device without a
repeater. Read in a public source: US915's DR1 to DR4 and DR8 to DR13, all of AS923, and EU868's sizes of DR0 to DR3.
From memory: the spreading factors of EU868 and its size of 242 bytes, all of IN865, US915's DR0, the sizes of AU915,
and the indices that AU915 and AS923 share between both dwell times. Issues of RP002 before 1.0.5 give AS923's DR2
51 bytes (memory). LR-FHSS, whose indices follow the LoRa ones in some regions, is left out: it has no spreading factor.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Direction = Literal["up", "down", "both"]
#: FSK of 50 kbit/s, which has no spreading factor and no LoRa bandwidth.
_FSK = (None, None)


@dataclass(frozen=True)
class DataRate:
    """What one data-rate index means.

    `spreading_factor` and `bandwidth_hz` are None where the modulation is FSK. `max_payload_bytes` is the standard's N:
    the longest FRMPayload of a frame without FOpts, for a device without a repeater.
    """

    spreading_factor: int | None
    bandwidth_hz: int | None
    max_payload_bytes: int
    direction: Direction = "both"


Table = Mapping[int, DataRate]


_Row = tuple[int, tuple[int | None, int | None], int, Direction]


def _table(*rows: _Row) -> Table:
    made = {}
    for index, (spreading_factor, bandwidth_khz), most, direction in rows:
        bandwidth_hz = None if bandwidth_khz is None else bandwidth_khz * 1000
        made[index] = DataRate(spreading_factor, bandwidth_hz, most, direction)
    return MappingProxyType(made)


_EU868 = _table(
    # DR (SF, kHz)    N  direction
    (0, (12, 125), 51, "both"),
    (1, (11, 125), 51, "both"),
    (2, (10, 125), 51, "both"),
    (3, (9, 125), 115, "both"),
    (4, (8, 125), 242, "both"),
    (5, (7, 125), 242, "both"),
    (6, (7, 250), 242, "both"),
    (7, _FSK, 242, "both"),
)

_IN865 = _table(
    (0, (12, 125), 51, "both"),
    (1, (11, 125), 51, "both"),
    (2, (10, 125), 51, "both"),
    (3, (9, 125), 115, "both"),
    (4, (8, 125), 242, "both"),
    (5, (7, 125), 242, "both"),
    (7, _FSK, 242, "both"),
)

_DOWN_500_KHZ: tuple[_Row, ...] = (
    (8, (12, 500), 53, "down"),
    (9, (11, 500), 129, "down"),
    (10, (10, 500), 242, "down"),
    (11, (9, 500), 242, "down"),
    (12, (8, 500), 242, "down"),
    (13, (7, 500), 242, "down"),
)

_US915 = _table(
    (0, (10, 125), 11, "up"),
    (1, (9, 125), 53, "up"),
    (2, (8, 125), 125, "up"),
    (3, (7, 125), 242, "up"),
    (4, (8, 500), 242, "up"),
    *_DOWN_500_KHZ,
)

_AU915 = _table(
    (0, (12, 125), 51, "up"),
    (1, (11, 125), 51, "up"),
    (2, (10, 125), 51, "up"),
    (3, (9, 125), 115, "up"),
    (4, (8, 125), 242, "up"),
    (5, (7, 125), 242, "up"),
    (6, (8, 500), 242, "up"),
    *_DOWN_500_KHZ,
)

_AU915_DWELL_400_MS = _table(
    (2, (10, 125), 11, "up"),
    (3, (9, 125), 53, "up"),
    (4, (8, 125), 125, "up"),
    (5, (7, 125), 242, "up"),
    (6, (8, 500), 242, "up"),
    *_DOWN_500_KHZ,
)

_AS923 = _table(
    (0, (12, 125), 51, "both"),
    (1, (11, 125), 51, "both"),
    (2, (10, 125), 115, "both"),
    (3, (9, 125), 115, "both"),
    (4, (8, 125), 242, "both"),
    (5, (7, 125), 242, "both"),
    (6, (7, 250), 242, "both"),
    (7, _FSK, 242, "both"),
)

_AS923_DWELL_400_MS = _table(
    (2, (10, 125), 11, "both"),
    (3, (9, 125), 53, "both"),
    (4, (8, 125), 125, "both"),
    (5, (7, 125), 242, "both"),
    (6, (7, 250), 242, "both"),
    (7, _FSK, 242, "both"),
)

#: By region, without a limit on the dwell time.
REGIONS: Mapping[str, Table] = MappingProxyType(
    {"EU868": _EU868, "IN865": _IN865, "US915": _US915, "AU915": _AU915, "AS923": _AS923}
)
#: Where uplinks may last no longer than 400 ms; elsewhere there is no such setting.
DWELL_400_MS: Mapping[str, Table] = MappingProxyType({"AU915": _AU915_DWELL_400_MS, "AS923": _AS923_DWELL_400_MS})

#: What the standards themselves call the same regions (from memory): RP002's names of channel plans, TS002's RFRegion.
_ALSO_CALLED = {
    "EU863-870": "EU868",
    "IN865-867": "IN865",
    "US902": "US915",
    "US902-928": "US915",
    "AUSTRALIA915": "AU915",
    "AU915-928": "AU915",
    "AS923-1": "AS923",
    "AS923-2": "AS923",
    "AS923-3": "AS923",
    "AS923-4": "AS923",
}


def region_named(name: str) -> str | None:
    """Return the key of `REGIONS` that `name` means, in any letter case; None for a region that has no table here."""
    called = name.strip().upper()
    called = _ALSO_CALLED.get(called, called)
    return called if called in REGIONS else None


def data_rate(region: str, index: int, *, dwell_400_ms: bool = False) -> DataRate | None:
    """Return what data rate `index` means in `region`; None where the region or the index has no row here.

    `dwell_400_ms`: the network limits the uplink's dwell time, which shortens payloads in AU915 and AS923.
    """
    known = region_named(region)
    if known is None:
        return None
    table = DWELL_400_MS.get(known, REGIONS[known]) if dwell_400_ms else REGIONS[known]
    return table.get(index)
