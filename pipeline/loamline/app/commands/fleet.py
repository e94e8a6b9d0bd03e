"""`loamline fleet`: one row a probe, those that need attention first."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from loamline.app.fleet_problems import show_problems
from loamline.app.instants import ago, instant
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json, rfc3339
from loamline.app.text import plain
from loamline.edges.store.fleet import WEAK_MARGIN_DB, Period, ProbeHealth
from loamline.edges.store.fleet import fleet as read_fleet
from loamline.edges.store.names import UnknownNameError, find_site


def fleet(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    site: Annotated[str | None, typer.Option(help="only probes that are placed at this site now")] = None,
    days: Annotated[float, typer.Option(help="days that verdicts, margin and losses are taken over", min=0.01)] = 7.0,
    as_of: Annotated[
        datetime | None,
        typer.Option(parser=instant, metavar="TIME", help="tell it as of this instant, UTC, in place of now"),
    ] = None,
    problems: Annotated[bool, typer.Option("--problems", help="what is wrong now, since when, and what to do")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a probe")] = False,
) -> None:
    """Show how every probe does; the longest silent first, then whatever else needs attention.

    Lost uplinks are the gaps of the frame counter. Margin is the median of the best SNR over the demodulation floor of
    the spreading factor.

    --problems lists what is wrong now in place of that, of probes, gateways and the store as a whole, the gravest first
    and of a kind the oldest first; the daemon that has the store open answers it, and tells events that wait, too. With
    --site, of the probes that are placed there.

    Example: loamline fleet --store soil.duckdb --site "North field" --days 30
    """
    if problems:
        if as_of is not None:
            raise CommandError("expected one of --problems and --as-of, got both: problems are told as of now", 2)
        show_problems(store, site, as_json=as_json)
        return
    period = Period.of(as_of, datetime.now(UTC), days)
    with open_store(store) as opened:
        try:
            told = read_fleet(opened, period, None if site is None else find_site(opened, site))
        except UnknownNameError as problem:
            raise CommandError(str(problem)) from problem
    if as_json:
        print_json([vars(probe) for probe in told])
        return
    console.print(_table(told, period, days))
    needy = sum(1 for probe in told if probe.attention)
    console.print(f"{len(told)} probes, {needy} need attention; as of {rfc3339(period.now.replace(microsecond=0))}")


def _table(told: list[ProbeHealth], period: Period, days: float) -> Table:
    table = Table(title=f"fleet, the last {days:g} days", header_style="bold", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for name in ("probe", "placed at", "last heard (UTC)", "supply, firmware", "margin, lost", "verdicts", "attention"):
        table.add_column(name, overflow="fold", no_wrap=name in ("probe", "last heard (UTC)"))
    for probe in told:
        table.add_row(*_cells(probe, period))
    return table


def _cells(probe: ProbeHealth, period: Period) -> tuple[Text, ...]:
    heard = probe.last_heard_at
    link, lost = probe.margin_db, probe.share_lost
    supply = "" if probe.supply_v is None else f"{probe.supply_v:.2f} V"
    firmware = f"{probe.firmware} {probe.codec}" if probe.firmware else probe.codec
    attention = ", ".join(
        {"set aside": f"{probe.set_aside} set aside", "conflicts": f"{probe.conflicts} conflicts"}.get(word, word)
        for word in probe.attention
    )
    return (
        _lines(probe.serial, probe.dev_eui),
        _lines(probe.site, ", ".join(probe.labels)),
        _lines(*((rfc3339(heard.replace(microsecond=0)), ago(period.now - heard)) if heard else ("never",))),
        _lines(supply, firmware, first_style="red" if probe.supply_low else ""),
        _lines(
            "" if link is None else f"{link:.1f} dB",
            "" if lost is None else f"{100 * lost:.1f} % lost",
            first_style="red" if link is not None and link < WEAK_MARGIN_DB else "",
        ),
        plain(", ".join(f"{count} {word}" for word, count in probe.verdicts.items() if count)),
        plain(attention, "yellow"),
    )


def _lines(*lines: str | None, first_style: str = "") -> Text:
    told = [plain(line) for line in lines if line]
    if told:
        told[0].stylize(first_style)
    return Text("\n").join(told)
