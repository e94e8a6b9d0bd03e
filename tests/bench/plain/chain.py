"""The chain itself: deliveries in, rows of READING out, and how they are written."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import duckdb

from loamline.core.provenance import RULES
from loamline.core.reference import RegistryState
from loamline_codecs import Codec
from loamline_schemas.tables import PROVENANCE, READING
from loamline_schemas.verdicts import GRAVEST_FIRST, Verdict
from tests.bench.plain import checks
from tests.bench.plain.figures import Calibration
from tests.bench.plain.merging import Delivery, merged
from tests.bench.plain.parsing import Parsers
from tests.bench.plain.registry import Held, Registry
from tests.bench.plain.sample import MINUTE_US, Sample
from tests.bench.plain.soil import Standing

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_COMPARED = ("moisture_count", "permittivity", "soil_temperature_degc", "conductivity_ds_m")


class PlainChain:
    """The chain over some registry states, by number. `provenance` holds rows of PROVENANCE without their number."""

    def __init__(
        self,
        states: Mapping[int, RegistryState],
        dev_eui_of: Mapping[int, str],
        codecs: Iterable[Codec],
        *,
        compiled: bool = False,
    ) -> None:
        self._states = {number: Registry(state, dev_eui_of) for number, state in states.items()}
        self._parsers = Parsers(codecs, compiled=compiled)
        self._calibration, self._standing = Calibration(), Standing()
        self._numbers: dict[tuple[Any, ...], int] = {}

    @property
    def provenance(self) -> list[dict[str, Any]]:
        """What made readings; the first row has number 1."""
        return [dict(zip(PROVENANCE.names[1:], row, strict=True)) for row in self._numbers]

    def readings(self, deliveries: Iterable[Delivery]) -> list[tuple[Any, ...]]:
        """Return the rows of READING that deliveries give, in order of probe, depth and instant."""
        series = self._samples(deliveries)
        rows = []
        for key in sorted(series):
            kept = self._coalesced(series[key])
            for sample in kept:
                self._calibration.calibrate(sample)
                self._standing.stand(sample)
            rows += self._rows(kept)
        return rows

    def _samples(self, deliveries: Iterable[Delivery]) -> dict[tuple[int, int], list[Sample]]:
        """Return the samples of every probe and depth, in any order."""
        series: dict[tuple[int, int], list[Sample]] = defaultdict(list)
        for uplink in merged(deliveries):
            said = self._parsers.read(uplink.fport, uplink.payload)
            if said is None:
                continue
            registry = self._states[uplink.reference_id]
            for figures in said.samples:
                at_us = uplink.heard_at_us - figures.age_minutes * MINUTE_US
                found = registry.found(uplink.probe_id, figures.depth_index, at_us)
                sample = Sample(
                    uplink, said.codec, said.uplink, figures, at_us, uplink.reference_id, found, found.limits.row
                )
                series[uplink.probe_id, figures.depth_index].append(sample)
        return series

    def _coalesced(self, samples: list[Sample]) -> list[Sample]:
        """Return one sample an instant: those closer than a quarter of the interval, one by one, are one."""
        samples.sort(key=lambda sample: (sample.measured_at_us, sample.order))
        kept, together = [], samples[:1]
        for before, sample in pairwise(samples):
            quarter = min(before.interval_minutes, sample.interval_minutes) * (MINUTE_US / 4)
            if sample.measured_at_us - before.measured_at_us >= max(quarter, 1.0):
                kept.append(_best(together))
                together = []
            together.append(sample)
        kept.append(_best(together))
        return kept

    def _rows(self, series: list[Sample]) -> Iterable[tuple[Any, ...]]:
        by_check = zip(
            checks.check_spike(series),
            checks.check_stuck(series),
            checks.check_frost(series),
            checks.check_supply(series),
            checks.check_contact(series),
            checks.check_fall(series),
            strict=True,
        )
        for sample, (spike, stuck, frost, supply, contact, fall) in zip(series, by_check, strict=True):
            range_flag, cause = checks.check_range(sample)
            flags = (range_flag, spike, stuck, frost, supply, contact, fall)
            uplink, figures, told = sample.uplink, sample.figures, sample.told
            yield (
                uplink.probe_id,
                figures.depth_index,
                _EPOCH + timedelta(microseconds=sample.measured_at_us),
                _EPOCH + timedelta(microseconds=uplink.heard_at_us),
                uplink.fcnt,
                figures.age_minutes,
                _whole(figures.moisture_count),
                _known(sample.permittivity),
                _known(sample.vwc_m3_m3),
                _known(figures.soil_temperature_degc),
                _known(figures.conductivity_ds_m),
                told.get("supply_v"),
                _whole(told.get("firmware_major")),
                _whole(told.get("firmware_minor")),
                _whole(told.get("sample_counter")),
                _flag(told.get("tilted")),
                _flag(told.get("cold_start")),
                _flag(told.get("supply_low")),
                uplink.best_rssi_dbm,
                uplink.best_snr_db,
                uplink.gateways,
                sample.conflicts,
                int(range_flag),
                int(cause),
                int(spike),
                int(stuck),
                int(frost),
                int(_verdict(flags, sample)),
                self._made_by(sample),
                _known(sample.vwc_uncertainty_m3_m3),
                sample.plant_available_fraction,
                None if sample.zone is None else int(sample.zone),
                int(supply),
                int(contact),
                int(fall),
            )

    def _made_by(self, sample: Sample) -> int:
        """Return the number of what made a reading."""
        found = sample.found
        transducer = None if math.isnan(sample.figures.moisture_count) else found.transducer
        made_by = (
            sample.state,
            sample.codec.name,
            sample.codec.digest,
            _digest(found.record),
            _digest(found.placement),
            None if transducer is None else transducer.row.id,
            _digest(transducer),
            None if found.soil is None else found.soil.row.id,
            _digest(found.soil),
            found.limits.digest,
            _digest(found.layer),
            _digest(found.crop),
            RULES,
        )
        return self._numbers.setdefault(made_by, len(self._numbers) + 1)


def write_by_executemany(con: duckdb.DuckDBPyConnection, table: str, rows: list[tuple[Any, ...]]) -> None:
    """Write rows as one first would, in one transaction."""
    marks = ", ".join("?" for _ in READING.names)
    con.execute("BEGIN")
    con.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608 - our own names
    con.execute("COMMIT")


def write_by_appender(con: duckdb.DuckDBPyConnection, table: str, rows: list[tuple[Any, ...]]) -> None:
    """Write rows through DuckDB's appender, the quickest way for rows of Python objects, in one transaction."""
    con.execute("BEGIN")
    with con.appender(table) as appender:
        appender.append_rows(rows)
    con.execute("COMMIT")


def _best(together: list[Sample]) -> Sample:
    """Return which of the samples of one instant counts, and how many of the others tell other figures."""
    if len(together) == 1:
        return together[0]
    best = min(together, key=lambda sample: sample.order)
    best.conflicts = sum(
        any(_differ(getattr(sample.figures, name), getattr(best.figures, name)) for name in _COMPARED)
        for sample in together
    )
    return best


def _differ(one: float, other: float) -> bool:
    return one != other and not (math.isnan(one) and math.isnan(other))


def _verdict(flags: tuple[Verdict, ...], sample: Sample) -> Verdict:
    """Return the gravest word; without a water content nothing passes."""
    verdict = next(word for word in GRAVEST_FIRST if word in flags)
    if math.isnan(sample.vwc_m3_m3) and verdict in (Verdict.PASS, Verdict.NOT_EVALUATED):
        fault = sample.figures.moisture_fault or sample.figures.temperature_fault
        return Verdict.MISSING if fault else Verdict.NOT_EVALUATED
    return verdict


def _known(figure: float) -> float | None:
    return None if math.isnan(figure) else figure


def _whole(figure: float | None) -> int | None:
    return None if figure is None or math.isnan(figure) else int(figure)


def _flag(figure: float | None) -> bool | None:
    return None if figure is None else figure != 0


def _digest(held: Held | None) -> str | None:
    return None if held is None else held.digest
