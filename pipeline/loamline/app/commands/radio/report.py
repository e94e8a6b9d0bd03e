"""`loamline radio report`: delivery, margin and its trend, gateways and airtime, by gateway and by probe."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from loamline.app.commands.radio.asked import Answer, SinceOption, SiteOption, StoreOption, UntilOption, answer
from loamline.app.output import console, print_json, rfc3339
from loamline.app.text import plain
from loamline.core.probe_airtime import Airtime, BandShare
from loamline.core.radio_report import GatewayRadio, Link, ProbeRadio
from loamline.core.subbands import LOCAL_RULES
from loamline.core.trends import LEAST_DAYS, Trend

NOT_ENOUGH = "not enough data"
NOTES = (
    "Margins are of uplinks that were heard, so that a poor link's is told too well. Trends are Theil-Sen over daily "
    f"medians, dB per 30 days with a 95 % interval, from {LEAST_DAYS} days on. Airtime is without MAC commands. "
    + LOCAL_RULES
)


def report_command(
    store: StoreOption,
    since: SinceOption = None,
    until: UntilOption = None,
    site: SiteOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print one object: gateways, probes, links")] = False,
) -> None:
    """Report each gateway's and each probe's radio over a span, the poorest delivery first.

    Delivery is uplinks heard over uplinks sent: those heard, and the gaps of the frame counter within sessions. Of a
    gateway it is over what the probes sent that it hears at all. Margin is the median of the SNR over the demodulation
    floor of the spreading factor, of a probe with its best gateway. Only here: probes that no other gateway heard.

    Airtime is a probe's share of what its sub-band's duty cycle allows over the span, lost uplinks included. Duty
    cycles are those of ETSI EN 300 220-2 for 863 to 870 MHz, for orientation; local rules come first.
    """
    told = answer(store, since, until, site)
    if as_json:
        print_json(as_object(told))
        return
    _print(told, since=told.span.since, until=told.span.until)


def as_object(told: Answer) -> dict[str, Any]:
    """Return the report as JSON has it; null where nothing is known."""
    return {
        "since": told.span.since,
        "until": told.span.until,
        "gateways": [_gateway(one) for one in sorted(told.report.gateways, key=lambda one: one.delivery_ratio)],
        "probes": [_probe(told, one) for one in sorted(told.report.probes, key=lambda one: one.delivery_ratio)],
        "links": [_link(told, one) for one in told.report.links],
        "not_heard": [vars(name) for number, name in told.probes.items() if number not in _heard(told)],
        "notes": NOTES,
    }


def _heard(told: Answer) -> set[int]:
    return {one.probe_id for one in told.report.probes}


def _gateway(one: GatewayRadio) -> dict[str, Any]:
    return {
        "gateway": one.gateway,
        "probes": one.probes,
        "probes_only_here": one.only_here,
        "uplinks": one.uplinks,
        "delivery_ratio": one.delivery_ratio,
        "margin_db": _number(one.margin_db),
        "margin_trend": _trend(one.trend),
    }


def _probe(told: Answer, one: ProbeRadio) -> dict[str, Any]:
    return {
        **vars(told.probes[one.probe_id]),
        "uplinks": one.uplinks,
        "lost": one.lost,
        "delivery_ratio": one.delivery_ratio,
        "margin_db": _number(one.margin_db),
        "margin_trend": _trend(one.trend),
        "gateways": one.gateways,
        "only_gateway": one.only_gateway,
        "mean_airtime_ms": _number(one.airtime.mean_ms),
        "sub_bands": [vars(band) for band in one.airtime.bands],
    }


def _link(told: Answer, one: Link) -> dict[str, Any]:
    return {
        "dev_eui": told.probes[one.probe_id].dev_eui,
        "gateway": one.gateway,
        "uplinks": one.uplinks,
        "delivery_ratio": one.delivery_ratio,
        "margin_db": _number(one.margin_db),
        "signal_dbm": _number(one.signal_dbm),
        "margin_trend": _trend(one.trend),
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


def _trend(trend: Trend | None) -> dict[str, Any] | str:
    if trend is None:
        return NOT_ENOUGH
    return {
        "db_per_30_days": trend.per_30_days,
        "low_db_per_30_days": trend.low,
        "high_db_per_30_days": trend.high,
        "days": trend.days,
    }


def _print(told: Answer, since: datetime, until: datetime) -> None:
    title = f"{rfc3339(since.replace(microsecond=0))} to {rfc3339(until.replace(microsecond=0))}"
    gateways = _table(f"gateways, {title}", "gateway", "probes", "only here", "delivery", "margin dB", "dB in 30 d")
    for gateway in sorted(told.report.gateways, key=lambda one: one.delivery_ratio):
        gateways.add_row(
            plain(gateway.gateway),
            str(gateway.probes),
            str(gateway.only_here),
            _percent(gateway.delivery_ratio),
            _decibel(gateway.margin_db),
            _trend_text(gateway.trend),
        )
    console.print(gateways)
    probes = _table(
        f"probes, {title}", "probe", "placed at", "delivery", "margin dB", "dB in 30 d", "gateways", "airtime of budget"
    )
    for one in sorted(told.report.probes, key=lambda one: one.delivery_ratio):
        name = told.probes[one.probe_id]
        probes.add_row(
            plain(name.serial or name.dev_eui),
            plain(", ".join(word for word in (name.site, name.label) if word)),
            _percent(one.delivery_ratio),
            _decibel(one.margin_db),
            _trend_text(one.trend),
            plain(f"only {one.only_gateway}" if one.only_gateway else str(one.gateways)),
            plain(_airtime(one.airtime)),
        )
    console.print(probes)
    alone = sum(one.only_gateway is not None for one in told.report.probes)
    silent = len(told.probes) - len(told.report.probes)
    console.print(f"{len(told.report.probes)} probes, {alone} of them heard by one gateway only; {silent} not heard")
    console.print(NOTES)


def _table(title: str, *names: str) -> Table:
    table = Table(title=title, header_style="bold", box=SIMPLE_HEAD, padding=(0, 1, 0, 0), title_justify="left")
    for name in names:
        words = name in ("gateway", "probe", "placed at", "gateways", "airtime of budget")
        table.add_column(name, overflow="fold", justify="left" if words else "right")
    return table


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _decibel(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.1f}"


def _trend_text(trend: Trend | None) -> str:
    if trend is None:
        return NOT_ENOUGH
    return f"{trend.per_30_days:+.1f} ({trend.low:+.1f} to {trend.high:+.1f})"


def _airtime(airtime: Airtime) -> str:
    return "\n".join(_band(band) for band in airtime.bands) or NOT_ENOUGH


def _band(band: BandShare) -> str:
    if band.share_of_budget is None:
        return f"{band.airtime_s:.1f} s, no budget known"
    return f"{band.sub_band}: {100 * band.share_of_budget:.2g} %"
