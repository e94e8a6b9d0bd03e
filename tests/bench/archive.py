"""Raw logs of any size, drawn in columns: a fleet of every payload generation with weather, faults and lost uplinks.

What a probe says at an hour depends on seed, probe and hour alone, so that a log can be made block by block, and a
sample that comes again as backfill is the same sample. Versions 1 to 4, or some of them, take turns over the probes;
version 3 brings two older samples along, version 4 has two depths and, for every other probe, conductivity. 2 % are
status messages.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loamline.core.columns import HOUR_US
from loamline_schemas.columns import INSTANT, RECEPTION
from loamline_schemas.tables import UPLINK

START_US = int(datetime(2025, 1, 10, tzinfo=UTC).timestamp()) * 1_000_000
#: Rows that are drawn at once, unless a single hour has more.
BLOCK = 250_000
_GATEWAYS = [f"gw-{number:02d}" for number in range(40)]

Column = NDArray[Any]


@dataclass(frozen=True)
class Archive:
    """A log: how many probes send how many hours. `trouble`: share of samples that something is wrong with."""

    probes: int
    hours: int
    seed: int = 1
    trouble: float = 0.002
    start_us: int = START_US
    versions: tuple[int, ...] = (1, 2, 3, 4)

    def blocks(self) -> Iterator[pa.Table]:
        """Yield the raw log in order of time, columns as UPLINK, probe n with id n + 1, all under registry state 1."""
        hours_at_once = max(1, BLOCK // self.probes)
        seq = 0
        for first in range(0, self.hours, hours_at_once):
            block = self._block(first, min(first + hours_at_once, self.hours), seq)
            seq += block.num_rows
            yield block

    def tile(self, hours: range, probes: range) -> pa.Table:
        """Return the raw log of some probes and hours, in order of time.

        Rows that are lost leave gaps in `seq`, so that a row has the same number in whatever tile it is drawn.
        """
        hour, place = np.divmod(np.arange(hours.start * len(probes), hours.stop * len(probes)), len(probes))
        return self._drawn(hour, probes.start + place, None)

    def _block(self, first_hour: int, end_hour: int, seq: int) -> pa.Table:
        hour, probe = np.divmod(np.arange(first_hour * self.probes, end_hour * self.probes), self.probes)
        return self._drawn(hour, probe, seq)

    def _drawn(self, hour: Column, probe: Column, seq: int | None) -> pa.Table:
        chance = self._chance(hour, probe, 1)
        # Some are lost; some come twice, by another network and some seconds later.
        times = np.where(chance < self.trouble, 0, np.where(chance > 0.98, 2, 1))
        hour, probe, again = np.repeat(hour, times), np.repeat(probe, times), np.repeat(times == 2, times)
        again[1:] &= again[:-1] & (probe[1:] == probe[:-1]) & (hour[1:] == hour[:-1])
        again[:1] = False
        heard = self.start_us + hour * HOUR_US + probe * 3600 // self.probes * 1_000_000 + again * 3_000_000
        fport, payload = self._payloads(hour, probe)
        n = len(hour)
        number = 2 * (hour * self.probes + probe) + again + 1 if seq is None else np.arange(seq + 1, seq + 1 + n)
        columns = {
            "seq": pa.array(number),
            "probe_id": pa.array(probe + 1, pa.int32()),
            "dev_addr": pa.array(0x01000000 + probe, pa.uint32()),
            "fcnt": pa.array(hour, pa.uint32()),
            "fport": pa.array(fport),
            "payload": payload,
            "heard_at": pa.array(heard).cast(INSTANT),
            "heard_at_source": _all(0, n, pa.uint8()),
            "frequency_hz": pa.array(868_100_000 + 200_000 * (hour % 3), pa.uint32()),
            "spreading_factor": pa.array(7 + (probe + hour) % 6, pa.uint8()),
            "bandwidth_hz": _all(125_000, n, pa.uint32()),
            "coding_rate": _all("4/5", n, pa.string()),
            "confirmed": pa.array(np.zeros(n, dtype=bool)),
            "network": pa.array(["east", "west"]).take(pa.array(again.astype(np.int8))),
            "receptions": self._receptions(hour, probe, again),
            # Any number stands for a delivery's content as long as no two are equal.
            "digest": pa.array(number.astype(np.uint64)),
            "reference_id": _all(1, n, pa.int32()),
            "stored_at": pa.array(heard + 1_000_000).cast(INSTANT),
        }
        return pa.Table.from_arrays([columns[name] for name in UPLINK.names], schema=UPLINK.schema)

    def _chance(self, hour: Column, probe: Column, salt: int) -> Column:
        """Return a number from 0 to 1 of each probe and hour, by the mixing steps of SplitMix64 (MEMORY)."""
        z = hour.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + probe.astype(np.uint64)
        z += np.uint64((self.seed * 1_000_003 + salt) * 0xD1B54A32D192ED03 % 2**64)
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return (z ^ (z >> np.uint64(31))) / 2.0**64

    def _soil(self, hour: Column, probe: Column, depth: int) -> tuple[Column, Column]:
        """Return count and temperature (degC): rain that drains over ten days, a winter with night frosts."""
        since_rain = (hour + 37 * probe + 20 * depth) % 240
        count = 900 + 600 * np.exp(-since_rain / 200)
        # Some lose their grip on the soil for some days, wholly or in part.
        loose = (since_rain >= 74) & (since_rain < 180)
        count = np.where(loose & (probe % 12 == 1), 650, np.where(loose & (probe % 4 == 3), count - 350, count))
        count += 5 * self._chance(hour, probe, 10 + depth)
        degc = 3 + 5 * np.sin(hour * (2 * np.pi / 24) - depth) + 6 * np.sin((hour + 11 * probe) * (2 * np.pi / 1440))
        degc += self._chance(hour, probe, 20 + depth) / 2
        odd = self._chance(hour, probe, 30 + depth)
        for kind, figure in enumerate((count + 1500, 420, 5000, count + 300)):
            count = np.where((odd >= self.trouble * kind) & (odd < self.trouble * (kind + 1)), figure, count)
        # One probe in ten stands still for some days each six weeks.
        still = (probe % 10 == 0) & ((hour + 53 * probe) % 1000 < 100)
        count = np.where(still, 1200, count)
        # What no probe can say stands for a fault: the payloads have a code for it.
        count = np.where((odd >= 0.5) & (odd < 0.5 + self.trouble), np.nan, count)
        degc = np.where((odd >= 0.6) & (odd < 0.6 + self.trouble), np.nan, degc)
        degc = np.where((odd >= 0.7) & (odd < 0.7 + self.trouble / 4), 66.5, degc)
        return np.rint(count), degc

    def _payloads(self, hour: Column, probe: Column) -> tuple[Column, pa.Array]:
        """Return FPort and payload of each uplink."""
        chance = self._chance(hour, probe, 2)
        version = np.array(self.versions)[probe % len(self.versions)]
        kind = np.where(chance < 0.02, 5, np.where(chance > 1 - self.trouble / 4, 6, version))
        kind = np.where((kind == 4) & (probe // 4 % 2 == 1), 7, kind)
        makers = {1: self._version_1, 2: self._version_2, 3: self._version_3, 4: self._version_4}
        makers |= {5: self._status, 6: self._nonsense, 7: self._version_4}
        lengths, parts = np.zeros(len(kind), dtype=np.int64), []
        for number, make in makers.items():
            rows = np.flatnonzero(kind == number)
            octets = np.stack([np.asarray(octet).astype(np.uint8) for octet in make(hour[rows], probe[rows])], axis=1)
            lengths[rows] = octets.shape[1]
            parts.append((rows, octets))
        offsets = np.concatenate([[0], np.cumsum(lengths)])
        data = np.empty(offsets[-1], dtype=np.uint8)
        for rows, octets in parts:
            data[offsets[rows][:, None] + np.arange(octets.shape[1])] = octets
        buffers = [None, pa.py_buffer(offsets.astype(np.int32)), pa.py_buffer(data)]
        return np.where(kind == 5, 11, 10).astype(np.uint8), pa.Array.from_buffers(pa.binary(), len(kind), buffers)

    def _supply_v(self, hour: Column, probe: Column) -> Column:
        sags = (hour + 17 * probe) % 700 < 12
        dips = self._chance(hour, probe, 7) < self.trouble / 4
        return np.maximum(3.6 - 0.00002 * hour - 0.5 * sags - 1.2 * dips, 2.02)

    def _flags(self, hour: Column, probe: Column) -> tuple[Column, Column, Column]:
        """Return tilted, cold start and supply low, 0 or 1."""
        chance = self._chance(hour, probe, 3)
        tilted, low = (chance < self.trouble).astype(np.int64), (chance > 1 - self.trouble).astype(np.int64)
        return tilted, (hour == 0).astype(np.int64), low

    def _version_1(self, hour: Column, probe: Column) -> list[Column]:
        count, degc = self._soil(hour, probe, 0)
        raw, temperature = _coded(count, 0xFFFF), _coded(degc * 100, -32768)
        supply = np.rint((self._supply_v(hour, probe) - 2) / 0.01)
        return [_same(1, hour), *_big(raw), *_big(temperature), supply, _same(0x25, hour), *_big(hour & 0xFFFF)]

    def _version_2(self, hour: Column, probe: Column) -> list[Column]:
        (count_0, degc), (count_1, _) = self._soil(hour, probe, 0), self._soil(hour, probe, 1)
        c0, c1 = (_coded(np.fmin(count, 4094), 0xFFF) for count in (count_0, count_1))
        t = _coded((degc + 40) * 16, 0x7FF)
        s = np.rint((self._supply_v(hour, probe) - 2) / 0.004).astype(np.int64)
        tilted, cold, low = self._flags(hour, probe)
        head = 0x20 | tilted << 3 | cold << 2 | low << 1
        packed = [c0 >> 4, (c0 & 15) << 4 | c1 >> 8, c1 & 255, t >> 3, (t & 7) << 5 | s >> 4, (s & 15) << 4 | 3]
        return [head, *packed, 1 << 4 | (hour & 0xFFF) >> 8, hour & 255]

    def _version_3(self, hour: Column, probe: Column) -> list[Column]:
        tilted, cold, low = self._flags(hour, probe)
        supply = np.rint(self._supply_v(hour, probe) * 1000)
        octets = [_same(0x32, hour), *_little(hour & 0xFFFF), _same(4, hour), _same(0, hour), *_little(supply)]
        octets += [_same(60, hour), low << 2 | cold << 1 | tilted]
        for older in range(3):
            count, degc = self._soil(hour - older, probe, 0)
            # Now and then what comes again is not what was told before.
            count = count + 3 * (self._chance(hour, probe, 40) < self.trouble) * older
            octets += [*_little(_coded(count, 0xFFFF)), _coded(np.fmin(degc * 2, 127), -128) & 255]
        return octets

    def _version_4(self, hour: Column, probe: Column) -> list[Column]:
        tilted, cold, low = self._flags(hour, probe)
        conductivity = bool(len(probe)) and probe[0] // 4 % 2 == 1
        octets = [_same(0x42, hour), conductivity << 3 | low << 2 | cold << 1 | tilted, *_little(hour & 0xFFFF)]
        octets += [_same(5, hour), _same(2, hour), *_little(np.rint(self._supply_v(hour, probe) * 1000))]
        for depth in range(2):
            count, degc = self._soil(hour, probe, depth)
            x = (count - 500) / 3000
            octets += [*_little(_coded(100 * (1 + x * (30 + x * 49)), 0xFFFF)), *_little(_coded(degc * 100, -32768))]
            octets += _little(np.rint(300 * np.fmax(x, 0))) if conductivity else []
        return octets

    def _status(self, hour: Column, probe: Column) -> list[Column]:
        head = [_same(0x10, hour), _same(4, hour), _same(0, hour), *_big(3600 + 0 * probe), *_big(3400 + 0 * hour)]
        return [*head, _same(0, hour), *_big(hour), *_big(hour // 100)]

    def _nonsense(self, hour: Column, probe: Column) -> list[Column]:
        return [_same(0xA5, hour), probe & 255]

    def _receptions(self, hour: Column, probe: Column, again: Column) -> pa.Array:
        """Return what one to three gateways heard; the second network has gateways of its own."""
        count = 1 + (self._chance(hour, probe, 4) * 3).astype(np.int64)
        offsets = np.concatenate([[0], np.cumsum(count)])
        row = np.repeat(np.arange(len(hour)), count)
        place = np.arange(offsets[-1]) - offsets[row]
        gateway = (probe[row] + 7 * place + 20 * again[row]) % len(_GATEWAYS)
        rssi = -80.0 - np.floor(40 * self._chance(hour[row] - place, probe[row], 5)) - 3.0 * place
        snr = np.floor(40 * self._chance(hour[row] + place, probe[row], 6)) / 4 - 5.0
        n = len(row)
        told = {
            "gateway": pa.array(_GATEWAYS).take(pa.array(gateway)),
            "rssi_dbm": pa.array(rssi),
            "snr_db": pa.array(snr),
        }
        fields = [told.get(field.name, pa.nulls(n, field.type)) for field in RECEPTION]
        return pa.ListArray.from_arrays(
            pa.array(offsets, pa.int32()), pa.StructArray.from_arrays(fields, fields=list(RECEPTION))
        )


def _all(value: Any, n: int, kind: pa.DataType) -> pa.Array:
    return pa.repeat(pa.scalar(value, kind), n)


def _same(octet: int, like: Column) -> Column:
    return np.full(len(like), octet)


def _coded(figure: Column, fault: int) -> Column:
    """Return figures as whole numbers, the fault code where there is none."""
    return np.where(np.isnan(figure), fault, np.rint(np.nan_to_num(figure))).astype(np.int64)


def _big(number: Column) -> list[Column]:
    whole = np.asarray(number).astype(np.int64)
    return [whole >> 8 & 255, whole & 255]


def _little(number: Column) -> list[Column]:
    return _big(number)[::-1]
