"""What the raw log tells of a fleet's radio over a span: of each probe, each gateway and each pair of them.

Probes go through in blocks of so many deliveries, from the table and the archived files alike; what stays of a block
are figures by probe, gateway and day. Deliveries of one uplink count once (`core.identity`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import pyarrow as pa

from loamline.core.columns import instant
from loamline.core.identity import MERGE_COLUMNS
from loamline.core.radio_report import BlockFigures, RadioReport, block_figures, put_together
from loamline.edges.store.connection import Store
from loamline.edges.store.placements import standing

#: Deliveries that are looked at in one go; a probe is never cut, so that one alone may have more.
BLOCK = 250_000
#: What identity and radio need of a delivery.
_COLUMNS = ", ".join((*MERGE_COLUMNS, "frequency_hz", "spreading_factor", "bandwidth_hz", "coding_rate"))


@dataclass(frozen=True)
class Span:
    """A stretch of time, (since, until], of heard_at."""

    since: datetime
    until: datetime


@dataclass(frozen=True)
class Named:
    """Who a probe is: serial, site and label as the registry has them at the span's end, None where it has not."""

    dev_eui: str
    serial: str | None
    site: str | None
    label: str | None


def span_of(store: Store, since: datetime | None, until: datetime | None, days: float) -> Span | None:
    """Return the span that is meant: without `until` to the newest uplink, without `since` `days` before that.

    None where the store has no uplinks and no end was named.
    """
    end = until or store.scalar(f"SELECT max(heard_at) FROM {store.raw_log()}")  # noqa: S608 - our own names
    if end is None:
        return None
    return Span(since or end - min(timedelta(days=days), end - instant(0)), end)


def named_probes(store: Store, at: datetime, site: str | None = None) -> dict[int, Named]:
    """Return every probe by its number, or those that are placed at `site` at that instant."""
    rows = store.con.execute(
        "SELECT probe_id, dev_eui, serial, site, nullif(array_to_string(labels, ', '), '') "  # noqa: S608 - our own names
        f"FROM {standing()} ORDER BY dev_eui",
        {"at": at},
    ).fetchall()
    told = {number: Named(*rest) for number, *rest in rows}
    return {number: name for number, name in told.items() if site is None or name.site == site}


def radio_report(store: Store, span: Span, probes: dict[int, Named], block: int = BLOCK) -> RadioReport:
    """Return the radio figures of `probes` over a span; probes that were not heard in it have none."""
    figures = [block_figures(rows, microseconds(span.until)) for rows in _blocks(store, span, sorted(probes), block)]
    return put_together(figures or [BlockFigures.none()])


def _blocks(store: Store, span: Span, probes: list[int], block: int) -> Iterator[pa.Table]:
    """Yield the span's deliveries, whole probes at a time."""
    wanted = [span.since, span.until]
    log = store.raw_log(span.since, span.until)
    store.con.register("_wanted", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    counts = store.con.execute(
        f"SELECT probe_id, count(*) FROM {log} SEMI JOIN _wanted USING (probe_id) "  # noqa: S608 - our own names
        "WHERE heard_at > ? AND heard_at <= ? GROUP BY probe_id ORDER BY probe_id",
        wanted,
    ).fetchall()
    store.con.unregister("_wanted")
    for some in _parts(counts, block):
        store.con.register("_some", pa.table({"probe_id": pa.array(some, pa.int32())}))
        log = store.raw_log(span.since, span.until, some)
        rows = store.con.sql(
            f"SELECT {_COLUMNS} FROM {log} SEMI JOIN _some USING (probe_id) "  # noqa: S608 - our own names
            "WHERE probe_id BETWEEN ? AND ? AND heard_at > ? AND heard_at <= ?",
            params=[some[0], some[-1], *wanted],
        ).to_arrow_table()
        store.con.unregister("_some")
        yield rows


def _parts(counts: list[Any], block: int) -> Iterator[list[int]]:
    part: list[int] = []
    total = 0
    for number, count in counts:
        if part and total + count > block:
            yield part
            part, total = [], 0
        part.append(number)
        total += count
    if part:
        yield part


def microseconds(at: datetime) -> int:
    """Return an instant as microseconds since 1970."""
    return (at - instant(0)) // timedelta(microseconds=1)
