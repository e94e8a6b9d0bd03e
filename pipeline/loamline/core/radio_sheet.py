"""A radio report as a sheet to draw: probes down; gateways across, and beside them days, or spans of whole days."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import DAY_US, Floats, Ints
from loamline.core.radio_report import RadioReport


@dataclass(frozen=True)
class Sheet:
    """p probes by g gateways and by c columns of `days_each` UTC days from `first_day` (since 1970) on.

    `margin_db` and `share` (of the uplinks sent) have shape (p, g), NaN where a gateway heard nothing; `received` and
    `lost` shape (p, c). `only` is the one gateway that hears a probe, as a column, -1 where there are more or it is not
    on the sheet. Probes stand with the poorest delivery first; `left_out` counts those, and the gateways, that found no
    room.
    """

    probes: list[int]
    gateways: list[str]
    margin_db: Floats
    share: Floats
    only: Ints
    delivery_ratio: Floats
    first_day: int
    days_each: int
    received: Ints
    lost: Ints
    left_out: tuple[int, int]


def sheet(
    report: RadioReport,
    since_us: int,
    until_us: int,
    *,
    most_probes: int = 40,
    most_gateways: int = 10,
    most_columns: int = 62,
) -> Sheet:
    """Return the sheet of a report over (since, until]."""
    probes = sorted(report.probes, key=lambda one: (one.delivery_ratio, one.probe_id))[:most_probes]
    gateways = sorted(report.gateways, key=lambda one: (-one.uplinks, one.gateway))[:most_gateways]
    row = {one.probe_id: at for at, one in enumerate(probes)}
    column = {one.gateway: at for at, one in enumerate(gateways)}
    margin, share = np.full((2, len(probes), len(gateways)), np.nan)
    for link in report.links:
        if link.probe_id in row and link.gateway in column:
            margin[row[link.probe_id], column[link.gateway]] = link.margin_db
            share[row[link.probe_id], column[link.gateway]] = link.delivery_ratio
    first = (since_us + 1) // DAY_US
    days = until_us // DAY_US - first + 1
    days_each = max(1, math.ceil(days / most_columns))
    columns = math.ceil(days / days_each)
    received, lost = np.zeros((2, len(probes), columns), dtype=np.int64)
    calendar = report.calendar
    at = (calendar.day - first) // days_each
    rows = np.array([row.get(int(number), -1) for number in calendar.probe_id], dtype=np.int64)
    shown = (rows >= 0) & (at >= 0) & (at < columns)
    np.add.at(received, (rows[shown], at[shown]), calendar.received[shown])
    np.add.at(lost, (rows[shown], at[shown]), calendar.lost[shown])
    return Sheet(
        [one.probe_id for one in probes],
        [one.gateway for one in gateways],
        margin,
        share,
        np.array([column.get(one.only_gateway or "", -1) for one in probes], dtype=np.int64),
        np.array([one.delivery_ratio for one in probes], dtype=np.float64),
        first,
        days_each,
        received,
        lost,
        (len(report.probes) - len(probes), len(report.gateways) - len(gateways)),
    )
