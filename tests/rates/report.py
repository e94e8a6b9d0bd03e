"""The labelled years as tables: Markdown for the page, JSON for a script."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.rates.measure import CHECKS, Kind, Year, observe, together
from tests.rates.situations import SITUATIONS

BEGIN = "<!-- rates: made by `python -m tests.rates --write`; don't edit -->"
END = "<!-- rates: end -->"


@dataclass(frozen=True)
class Report:
    """Healthy and faulty years of every situation, drawn with one seed."""

    seed: int
    years: int
    healthy: list[Year]
    faulty: list[Year]

    @property
    def kinds(self) -> dict[str, Kind]:
        """What became of the faults, by kind."""
        return together(self.faulty)


def report(seed: int, years: int, tell: Callable[[str], object] = str) -> Report:
    """Draw and judge; `tell` hears each situation's name."""
    healthy, faulty = [], []
    for situation in SITUATIONS:
        tell(situation.name)
        healthy.append(observe(situation, seed, years=years, faulty=False))
        faulty.append(observe(situation, seed, years=years))
    return Report(seed, years, healthy, faulty)


def _alarms(years: list[Year], check: str) -> dict[str, int]:
    return {
        "flagged": sum(year.false_alarms(check) for year in years),
        "samples": sum(int(year.unlabelled.sum()) for year in years),
    }


def as_json(rates: Report) -> dict[str, Any]:
    """Return the rates: by check, and by situation."""
    return {
        "seed": rates.seed,
        "years": rates.years,
        "checks": {
            check: {
                "false_alarms_healthy": _alarms(rates.healthy, check),
                "false_alarms_between_faults": _alarms(rates.faulty, check),
                "faults": {
                    name: {"injected": kind.faults, "found": kind.found, "median_delay_hours": kind.median_delay_h}
                    for name, kind in rates.kinds.items()
                    if kind.check == check
                },
            }
            for check in CHECKS
        },
        "situations": {
            year.situation.name: {
                "samples": int(year.unlabelled.sum()),
                "false_alarms": {check: year.false_alarms(check) for check in CHECKS},
            }
            for year in rates.healthy
        },
    }


def as_markdown(rates: Report) -> str:
    """Return the two tables as the page has them."""
    told = as_json(rates)
    rows = []
    for check, row in told["checks"].items():
        healthy, between = row["false_alarms_healthy"], row["false_alarms_between_faults"]
        lead = f"| {check} | {healthy['flagged']} | {between['flagged']} "
        for name, kind in row["faults"].items():
            delay = "" if kind["median_delay_hours"] is None else f"{kind['median_delay_hours']:g} h"
            share = kind["found"] / kind["injected"] if kind["injected"] else 0
            rows.append(f"{lead}| {name} | {kind['found']} of {kind['injected']} ({share:.0%}) | {delay} |")
            lead = "| | | "
    healthy, between = (sum(int(year.unlabelled.sum()) for year in years) for years in (rates.healthy, rates.faulty))
    heading = (
        f"{len(SITUATIONS)} situations, {_counted(rates.years, 'year')} each, seed {rates.seed}: "
        f"{_thousands(healthy)} samples of healthy probes, "
        f"and {_thousands(between)} between the faults of broken ones."
    )
    lines = [
        heading,
        "",
        "| check | false alarms, healthy | false alarms between faults | fault | found | median delay |",
        "| --- | ---: | ---: | --- | ---: | ---: |",
        *rows,
        "",
        "| healthy probe in | samples | false alarms |",
        "| --- | ---: | --- |",
        *(
            f"| {name} | {_thousands(row['samples'])} | {_blamers(row['false_alarms'])} |"
            for name, row in told["situations"].items()
        ),
    ]
    return "\n".join(lines) + "\n"


def _blamers(alarms: dict[str, int]) -> str:
    return ", ".join(f"{check} {number}" for check, number in alarms.items() if number) or "none"


def _thousands(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def written_into(page: str, rates: Report) -> str:
    """Return the page with the tables between its two markers.

    ValueError where the page has not exactly one of each, in order.
    """
    if page.count(BEGIN) != 1 or page.count(END) != 1 or page.index(END) < page.index(BEGIN):
        raise ValueError(
            f"expected the page to hold {BEGIN!r} once and then {END!r} once; put both where the table goes"
        )
    before, _, rest = page.partition(BEGIN)
    return f"{before}{BEGIN}\n\n{as_markdown(rates)}\n{END}{rest.partition(END)[2]}"
