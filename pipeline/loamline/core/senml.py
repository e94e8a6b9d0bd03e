"""Readings as Sensor Measurement Lists (SenML, RFC 8428) in JSON, and packs read back as resolved records.

A reading becomes some records that share a base name and a base time, so that any two readings can be torn apart. Names
follow RFC 9039: `urn:dev:mac:` and the EUI-64, then `_`, the depth's number, `_` and the quantity.

Units are main units of the IANA SenML registry, so that a reader of version 10 takes every pack; RFC 8798's secondary
units would need version 26 (RFC 9100). What has no code there is told otherwise:

- water content (m3/m3), its uncertainty, permittivity and the plant-available fraction are ratios: `/`;
- dS/m is written in `S/m`, a tenth; cm in `m`, a hundredth; dBm in `dBW`, 30 less (dBm itself is a secondary unit);
- the age of a sample, minutes in a reading, is written in `s`;
- verdict and zone are words (`vs`), what the probe says of itself is true or false (`vb`); neither has a unit;
- checks, curves, codec and texture are left out: the other formats have them.

The RFC's units were checked against its examples; the codes `dBW`, `S/m`, `count` and `m` come from memory.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

#: The version that a pack has where it tells none (RFC 8428, section 4.4).
VERSION = 10
MEDIA_TYPE = "application/senml+json"
#: Times smaller than this are relative to the reader's own clock (section 4.5.3): 1978-07-04T21:24:16Z.
LEAST_ABSOLUTE_S = 1 << 28
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_BASE = {"bn", "bt", "bu", "bv", "bs", "bver"}
_VALUES = ("v", "vs", "vb", "vd")


class SenmlError(ValueError):
    """A pack that is none; the message says what was expected, what came and where."""


@dataclass(frozen=True)
class Quantity:
    """How one column of a reading is told: its name, its field (`v`, `vs`, `vb`) and its unit.

    The value is the column's times `times`, divided by `per`, less `less`.
    """

    column: str
    name: str
    unit: str | None
    field: str = "v"
    times: int = 1
    per: int = 1
    less: int = 0


QUANTITIES = (
    Quantity("depth_cm", "depth", "m", per=100),
    Quantity("vwc_m3_m3", "water-content", "/"),
    Quantity("vwc_uncertainty_m3_m3", "water-content-uncertainty", "/"),
    Quantity("plant_available_fraction", "plant-available-fraction", "/"),
    Quantity("zone", "zone", None, "vs"),
    Quantity("verdict", "verdict", None, "vs"),
    Quantity("moisture_count", "moisture-count", "count"),
    Quantity("permittivity", "relative-permittivity", "/"),
    Quantity("soil_temperature_degc", "soil-temperature", "Cel"),
    Quantity("conductivity_ds_m", "bulk-conductivity", "S/m", per=10),
    Quantity("supply_v", "supply", "V"),
    Quantity("tilted", "tilted", None, "vb"),
    Quantity("cold_start", "cold-start", None, "vb"),
    Quantity("supply_low", "supply-low", None, "vb"),
    Quantity("best_rssi_dbm", "signal-strength", "dBW", less=30),
    Quantity("best_snr_db", "signal-to-noise", "dB"),
    Quantity("age_minutes", "sample-age", "s", times=60),
)
#: Columns that a reading needs for it.
NEEDED = ("dev_eui", "depth_index", "measured_at", *(quantity.column for quantity in QUANTITIES))


def has_time(at_us: int) -> bool:
    """Return whether an instant, in microseconds since 1970 UTC, can be told: before July 1978 it would be relative."""
    return at_us >= LEAST_ABSOLUTE_S * 1_000_000


def records_of(reading: Mapping[str, Any], at_us: int) -> list[dict[str, Any]]:
    """Return the records of one reading, columns NEEDED by name, `at_us` for `measured_at`; none for what is empty."""
    records: list[dict[str, Any]] = []
    for quantity in QUANTITIES:
        value = reading[quantity.column]
        if value is None:
            continue
        record: dict[str, Any] = {"n": quantity.name}
        if quantity.unit is not None:
            record["u"] = quantity.unit
        record[quantity.field] = _scaled(value, quantity) if quantity.field == "v" else value
        records.append(record)
    if records:
        base = {"bn": f"urn:dev:mac:{str(reading['dev_eui']).lower()}_{reading['depth_index']}_", "bt": _seconds(at_us)}
        records[0] = {**base, **records[0]}
    return records


def pack_text(records: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield a pack as JSON text, a record a line; numbers in their shortest exact form."""
    before = "[\n"
    for record in records:
        yield before + json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        before = ",\n"
    yield "[]\n" if before == "[\n" else "\n]\n"


def resolve(pack: Iterable[Mapping[str, Any]], *, now_s: float | None = None) -> list[dict[str, Any]]:
    """Return a pack's resolved records (RFC 8428, section 4.6), in its order: names and times whole, no base fields.

    Times below 2**28 are relative to `now_s`, seconds since 1970 (section 4.5.3); without one they stay as they are.
    Unknown fields are passed on, save those whose name ends in `_`, which a reader must understand (section 4.4).
    Raises SenmlError.
    """
    base: dict[str, Any] = {}
    found: list[dict[str, Any]] = []
    for at, record in enumerate(pack):
        _refuse_unreadable(record, at)
        base |= {name: record[name] for name in _BASE & record.keys()}
        told = {name: value for name, value in record.items() if name not in _BASE}
        name = str(base.get("bn", "")) + str(record.get("n", ""))
        if not _NAME.fullmatch(name):
            raise SenmlError(
                f"expected a name of letters, digits and - : . / _ that begins with a letter or digit, got {name!r} "
                f"in record {at}"
            )
        resolved: dict[str, Any] = {"n": name}
        unit = record.get("u", base.get("bu"))
        if unit is not None:
            resolved["u"] = unit
        time_s = base.get("bt", 0) + record.get("t", 0)
        if now_s is not None and abs(time_s) < LEAST_ABSOLUTE_S:
            time_s += now_s
        if time_s or now_s is not None:
            resolved["t"] = time_s
        if "v" in record or ("bv" in base and not any(field in record for field in _VALUES)):
            resolved["v"] = record.get("v", 0) + base.get("bv", 0)
        if "s" in record or "bs" in base:
            resolved["s"] = record.get("s", 0) + base.get("bs", 0)
        rest = {key: value for key, value in told.items() if key not in ("n", "u", "t", "v", "s")}
        found.append(resolved | rest)
    return found


def _refuse_unreadable(record: Mapping[str, Any], at: int) -> None:
    version = record.get("bver", VERSION)
    if not isinstance(version, int) or version > VERSION:
        raise SenmlError(f"expected a version (bver) of at most {VERSION}, got {version!r} in record {at}")
    strange = [name for name in record if name.endswith("_")]
    if strange:
        raise SenmlError(f"expected only fields that are known, got {strange[0]!r}, which must be, in record {at}")
    if sum(field in record for field in _VALUES) > 1:
        raise SenmlError(f"expected at most one of {', '.join(_VALUES)}, got several in record {at}")


def _scaled(value: float, quantity: Quantity) -> float:
    scaled = value * quantity.times
    if quantity.per != 1:
        scaled /= quantity.per
    return scaled - quantity.less


def _seconds(at_us: int) -> float:
    """Return whole seconds as an integer, else the double next to it, which tells some tenths of a microsecond."""
    return at_us // 1_000_000 if at_us % 1_000_000 == 0 else at_us / 1_000_000
