"""What the demo shows while it runs: one line a site, and what came through so far."""

from __future__ import annotations

from rich.table import Table

from loamline.edges.messages import Outcome
from loamline.edges.store.sites import SiteNow
from loamline_schemas.verdicts import GRAVEST_FIRST

#: A verdict is told by its word; the style only helps the eye.
_STYLES = {"fail": "bold red", "suspect": "yellow", "pass": "green", "not_evaluated": "dim", "missing": "magenta"}


def sites_table(sites: list[SiteNow], totals: Outcome, clock: str) -> Table:
    """Return the live table: the last 24 simulated hours of every site."""
    table = Table(
        title=f"{clock}   {totals.read} uplinks read, {totals.accepted} accepted, {totals.set_aside} set aside",
        caption="water content m3/m3, newest readings that did not fail; verdicts of 24 simulated hours; Ctrl-C ends",
    )
    for name in ("site", "probes", "last measured (UTC)", "driest", "wettest", "lowest supply", "verdicts"):
        table.add_column(name, justify="right" if name in ("probes", "driest", "wettest", "lowest supply") else "left")
    for site in sites:
        table.add_row(
            site.site,
            str(site.probes),
            f"{site.last_measured_at:%Y-%m-%d %H:%M}",
            _figure(site.driest_vwc_m3_m3, ".3f"),
            _figure(site.wettest_vwc_m3_m3, ".3f"),
            _figure(site.lowest_supply_v, ".2f", " V"),
            _verdicts(site.verdicts),
        )
    return table


def _figure(value: float | None, form: str, unit: str = "") -> str:
    return "-" if value is None else f"{value:{form}}{unit}"


def _verdicts(counts: dict[str, int]) -> str:
    words = [verdict.word for verdict in GRAVEST_FIRST if verdict.word in counts]
    return "  ".join(f"[{_STYLES[word]}]{counts[word]} {word.replace('_', ' ')}[/]" for word in words)
