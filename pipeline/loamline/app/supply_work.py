"""Each probe's supply put together: what the store tells, what was set, and what follows of both."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb

from loamline.app.opening import open_store
from loamline.app.output import CommandError, rfc3339
from loamline.core.charge_budget import Cell, Load, mean_current_ma
from loamline.core.probe_airtime import Airtime
from loamline.core.supply_outlook import (
    DaysLeft,
    Uncertainty,
    at_reference_temperature,
    by_charge,
    by_voltage,
    cold_effect,
    corrected_trend,
    outlook,
    share_left,
)
from loamline.core.trends import Trend
from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError, find_probe, find_site
from loamline.edges.store.radio import Named, Span, named_probes, radio_report, span_of
from loamline.edges.store.supply import SupplyDays, in_use_since, supply_days

#: Days that trend and airtime are taken over where nobody says from when.
DAYS = 90.0


@dataclass(frozen=True)
class Settings:
    """What is told and not measured: cell (None: no budget), load, doubts, cut-off (V) and effect of cold (V/K)."""

    cell: Cell | None
    load: Load
    doubt: Uncertainty
    cut_off_v: float
    cold_v_per_k: float


@dataclass(frozen=True)
class ProbeSupply:
    """One probe; None where nothing is known. `left` is the days left, or in words why there is not enough data.

    Voltages are medians of the newest day that told one.
    """

    name: Named
    supply_v: float | None
    supply_at_20_degc_v: float | None
    trend: Trend | None
    mean_airtime_ms: float | None
    interval_s: float | None
    mean_current_ua: float | None
    in_use_since: datetime | None
    in_use_source: str | None
    charge_left_share: float | None
    left: DaysLeft | str


def probe_supplies(
    path: Path, settings: Settings, since: datetime | None, until: datetime | None, site: str | None, probe: str | None
) -> tuple[datetime, list[ProbeSupply]]:
    """Return as of when, and the probes, those whose cell ends soonest first; CommandError where it can't be told."""
    with open_store(path) as store:
        try:
            place = None if site is None else find_site(store, site)
            span = span_of(store, since, until, DAYS)
            if span is None:
                raise CommandError(f"expected uplinks in {path}, found none; `loamline import` or `ingest` brings some")
            if span.since >= span.until:
                raise CommandError(f"expected --since before {rfc3339(span.until)}, got {rfc3339(span.since)}", 2)
            wanted = None if probe is None else find_probe(store, probe)
            names = named_probes(store, span.until, place)
            chosen = {at: name for at, name in names.items() if wanted is None or name.dev_eui in wanted}
            told = _of_all(store, span, chosen, settings)
        except UnknownNameError as problem:
            raise CommandError(str(problem)) from problem
        except duckdb.Error as problem:
            raise CommandError(f"expected to read {path}, got: {str(problem).splitlines()[0]}") from problem
    return span.until, sorted(told, key=_soonest)


def _of_all(store: Store, span: Span, probes: dict[int, Named], settings: Settings) -> list[ProbeSupply]:
    on_air = {one.probe_id: one.airtime for one in radio_report(store, span, probes).probes}
    used = in_use_since(store, span.until, probes)
    days = dict(supply_days(store, span, probes))
    return [
        _of_one(name, span.until, days.get(number), on_air.get(number), used.get(number), settings)
        for number, name in probes.items()
    ]


def _of_one(
    name: Named,
    at: datetime,
    days: SupplyDays | None,
    on_air: Airtime | None,
    used: tuple[datetime, str] | None,
    settings: Settings,
) -> ProbeSupply:
    newest = corrected = falling = None
    voltage: DaysLeft | str = "not enough data: no supply told"
    if days is not None:
        told = (days.supply_v, days.soil_temperature_degc)
        cold = cold_effect(days.days, *told, settings.cold_v_per_k)
        falling = corrected_trend(days.days, *told, cold)
        at_20 = at_reference_temperature(*told, cold.volts_per_k)
        newest, corrected = float(days.supply_v[-1]), float(at_20[-1])
        voltage = by_voltage(corrected, falling, settings.cut_off_v)
    airtime_ms = _known(on_air.mean_ms) if on_air else None
    interval_s = _known(on_air.interval_s) if on_air else None
    current = left_share = None
    charge: DaysLeft | str = "not enough data: too few uplinks with spreading factor and bandwidth"
    if airtime_ms is not None and interval_s:
        current = mean_current_ma(settings.load, airtime_ms / 1e3, interval_s)
        charge = "not enough data: no capacity told (--capacity-mah)"
        if settings.cell is not None and used is not None:
            in_use = (at - used[0]).total_seconds() / 86_400
            charge = by_charge(settings.cell, settings.load, airtime_ms / 1e3, interval_s, in_use, settings.doubt)
            left_share = share_left(settings.cell, current, in_use)
    return ProbeSupply(
        name,
        newest,
        corrected,
        falling,
        airtime_ms,
        interval_s,
        None if current is None else 1e3 * current,
        used[0] if used else None,
        used[1] if used else None,
        left_share,
        outlook(charge, voltage),
    )


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _soonest(one: ProbeSupply) -> tuple[bool, float, str]:
    if isinstance(one.left, str):
        return True, 0.0, one.name.dev_eui
    return False, one.left.estimate, one.name.dev_eui
