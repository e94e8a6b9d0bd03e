"""`loamline supply`: what each probe takes out of its cell, how its voltage goes, and when it may come to its end."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from loamline.app.commands.radio.asked import SiteOption, StoreOption, UntilOption
from loamline.app.instants import instant
from loamline.app.output import console, print_json, rfc3339
from loamline.app.supply_work import ProbeSupply, Settings, probe_supplies
from loamline.app.text import plain
from loamline.core.charge_budget import Cell, Load
from loamline.core.supply_outlook import MAKER_FIRST, Uncertainty
from loamline.core.trends import Trend

NOT_ENOUGH = "not enough data"
_LOAD, _DOUBT = Load(), Uncertainty()


def supply(
    store: StoreOption,
    probe: Annotated[str | None, typer.Option(help="only this dev_eui or serial")] = None,
    site: SiteOption = None,
    since: Annotated[
        datetime | None, typer.Option(parser=instant, metavar="TIME", help="heard after this, UTC; by default 90 days")
    ] = None,
    until: UntilOption = None,
    capacity_mah: Annotated[
        float | None, typer.Option(min=1, help="of the cell, from its maker's data sheet; without it no charge budget")
    ] = None,
    usable_share: Annotated[float, typer.Option(min=0.01, max=1, help="of the capacity that the probe can use")] = 0.85,
    self_discharge: Annotated[float, typer.Option(min=0, max=1, help="share of the capacity a year")] = 0.01,
    sleep_ua: Annotated[float, typer.Option(min=0, help="current asleep, uA")] = _LOAD.sleep_ua,
    transmit_ma: Annotated[float, typer.Option(min=0, help="while on the air, mA")] = _LOAD.transmit_ma,
    measure_ma: Annotated[float, typer.Option(min=0, help="while measuring, mA")] = _LOAD.measure_ma,
    measure_s: Annotated[float, typer.Option(min=0, help="an uplink, s")] = _LOAD.measure_s,
    receive_ma: Annotated[float, typer.Option(min=0, help="in the receive windows, mA")] = _LOAD.receive_ma,
    receive_s: Annotated[float, typer.Option(min=0, help="an uplink, s")] = _LOAD.receive_s,
    load_doubt: Annotated[
        float, typer.Option(min=0, max=1, help="assumed standard deviation of the current, as a share")
    ] = _DOUBT.load_share,
    usable_doubt: Annotated[
        float, typer.Option(min=0, max=1, help="assumed standard deviation of the usable charge, as a share")
    ] = _DOUBT.usable_share,
    cut_off_v: Annotated[float, typer.Option(min=0.1, help="where the probe stops, V")] = 2.5,
    cold_v_per_k: Annotated[float, typer.Option(min=0, help="the most that a kelvin under 20 degC takes, V")] = 0.01,
    as_json: Annotated[bool, typer.Option("--json", help="print one object")] = False,
) -> None:
    """Estimate when each probe's cell comes to its end, the soonest first, or say that there is not enough data.

    By charge: what the probe took since it was powered up (mean current of sleep, measurements and the airtime that
    the raw log tells of) against the cell's usable capacity. By voltage: the trend of daily medians as at 20 degC, soil
    temperature standing in for the cell's, and only once past the plateau, below 3.3 V: the voltage of a Li-SOCl2 cell
    (IEC 60086-1 letter E) is flat over most of its life and predicts it poorly. The interval comes of the two assumed
    doubts, or of the trend's own.

    All figures here are common practice and examples: the cell maker's safety sheet and data sheet come first, for
    handling, storage and disposal as for figures.

    Example: loamline supply --store soil.duckdb --capacity-mah 2600 --sleep-ua 6 --transmit-ma 44 --probe S-0001
    """
    cell = None if capacity_mah is None else Cell(capacity_mah, usable_share, self_discharge)
    load = Load(sleep_ua, transmit_ma, measure_ma, measure_s, receive_ma, receive_s)
    settings = Settings(cell, load, Uncertainty(load_doubt, usable_doubt), cut_off_v, cold_v_per_k)
    at, told = probe_supplies(store, settings, since, until, site, probe)
    if as_json:
        print_json({"as_of": at, "probes": [_as_object(one, at) for one in told], "notes": MAKER_FIRST})
        return
    console.print(_table(told, at))
    console.print(f"{len(told)} probes; as of {rfc3339(at.replace(microsecond=0))}")
    if capacity_mah is None:
        console.print("Without --capacity-mah, from the cell's data sheet, there is no charge budget.")
    console.print(MAKER_FIRST)


def _as_object(one: ProbeSupply, at: datetime) -> dict[str, Any]:
    left = one.left
    ends: dict[str, Any] = {"ends_at": None, "ends_earliest": None, "ends_latest": None, "basis": None, "reason": left}
    if not isinstance(left, str):
        ends = {
            "ends_at": _day(at, left.estimate),
            "ends_earliest": _day(at, left.earliest),
            "ends_latest": _day(at, left.latest),
            "basis": left.basis,
            "reason": None,
        }
    return {
        **vars(one.name),
        "supply_v": one.supply_v,
        "supply_at_20_degc_v": one.supply_at_20_degc_v,
        "trend": NOT_ENOUGH if one.trend is None else _trend_object(one.trend),
        "mean_airtime_ms": one.mean_airtime_ms,
        "uplink_interval_s": one.interval_s,
        "mean_current_ua": one.mean_current_ua,
        "in_use_since": one.in_use_since,
        "in_use_since_source": one.in_use_source,
        "charge_left_share": one.charge_left_share,
        **ends,
    }


def _trend_object(trend: Trend) -> dict[str, float]:
    return {
        "v_per_30_days": trend.per_30_days,
        "low_v_per_30_days": trend.low,
        "high_v_per_30_days": trend.high,
        "days": trend.days,
    }


def _day(at: datetime, days: float) -> str:
    return f"{at + timedelta(days=days):%Y-%m-%d}"


def _table(told: list[ProbeSupply], at: datetime) -> Table:
    table = Table(header_style="bold", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for name in (
        "probe",
        "placed at",
        "supply, at 20 degC",
        "mV in 30 d",
        "mean current",
        "budget left",
        "end, between",
    ):
        table.add_column(name, overflow="fold")
    for one in told:
        place = ", ".join(word for word in (one.name.site, one.name.label) if word)
        table.add_row(
            plain(one.name.serial or one.name.dev_eui),
            plain(place),
            "-" if one.supply_v is None else f"{one.supply_v:.2f} V, {one.supply_at_20_degc_v:.2f} V",
            NOT_ENOUGH if one.trend is None else _millivolts(one.trend),
            "-" if one.mean_current_ua is None else f"{one.mean_current_ua:.1f} uA",
            "-" if one.charge_left_share is None else f"{100 * one.charge_left_share:.0f} %",
            plain(_end(one, at)),
        )
    return table


def _millivolts(trend: Trend) -> str:
    middle, low, high = (round(1e3 * slope) for slope in (trend.per_30_days, trend.low, trend.high))
    return f"{middle:+d} ({low:+d} to {high:+d})"


def _end(one: ProbeSupply, at: datetime) -> str:
    if isinstance(one.left, str):
        return one.left
    if one.left.latest <= 0:
        return f"at its end now (by {one.left.basis})"
    dates = f"{_day(at, one.left.estimate)}, {_day(at, one.left.earliest)} to {_day(at, one.left.latest)}"
    return f"{dates} (by {one.left.basis})"
