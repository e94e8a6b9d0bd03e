"""A probe's readings for a page: no more rows than can be drawn, whatever the span.

A span is cut into stretches of whole hours, so many that a chart has room for; of each stretch and depth the least and
greatest figure, its mean uncertainty and its gravest verdict are told. At one hour a stretch, an hourly probe's
readings are told as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import floats, instant, instants, ints, whole
from loamline.core.identity import MERGE_COLUMNS, merge, sessions
from loamline.core.radio import margin_db
from loamline.edges.store.api_pages import parameters, where
from loamline.edges.store.api_readings import Wanted, alone_of, probe_numbers, source_of
from loamline.edges.store.connection import Store
from loamline.edges.store.radio import microseconds
from loamline_schemas.verdicts import Verdict

#: Stretches of a span at most; about as many as a chart has millimetres.
MOST_STRETCHES = 400
#: How long a stretch may be, in hours; above a day whole days.
_HOURS = (1, 2, 3, 6, 12, 24, 48, 96, 168)
#: The raw log stands in order of time, and a probe's rows are spread over all of it: in one of more deliveries than
#: this, radio is told of a span's last days alone, at most so many, and fewer where these hold more of hourly probes.
_MOST_SEARCHED, _RADIO_DAYS = 2_000_000, 14
#: What merging deliveries into uplinks, sessions and margin need of one; the payload only where counters are the same,
#: and it is dear to read.
_OF_RADIO = ", ".join(
    "''::BLOB AS payload" if name == "payload" else name for name in ("seq", *MERGE_COLUMNS, "spreading_factor")
)
#: What draws a reading's eye: the gravest first.
_GRAVITY = (Verdict.FAIL, Verdict.SUSPECT, Verdict.MISSING, Verdict.NOT_EVALUATED, Verdict.PASS)


@dataclass(frozen=True)
class Stretch:
    """One depth over one stretch; `vwc_*` of readings that neither failed nor are missing, None where there are none.

    `gravest` is the gravest verdict's word, `gravest_at` its newest reading's instant and `gravest_vwc_m3_m3` its water
    content. `at` is the first reading's instant. `verdicts`: how many readings have which, in the order of `Verdict`.
    """

    depth_index: int
    depth_cm: float | None
    at: datetime
    readings: int
    vwc_min_m3_m3: float | None
    vwc_max_m3_m3: float | None
    vwc_uncertainty_m3_m3: float | None
    soil_temperature_degc: float | None
    supply_v: float | None
    gravest: str
    gravest_at: datetime
    gravest_vwc_m3_m3: float | None
    plant_available_fraction: float | None
    verdicts: tuple[int, ...]


@dataclass(frozen=True)
class Link:
    """One stretch of a probe's radio: median margin in dB (None: not told), uplinks heard, and lost before them."""

    at: datetime
    margin_db: float | None
    heard: int
    lost: int


def stretch_hours(since: datetime, until: datetime) -> int:
    """Return how many hours a stretch has to have."""
    hours = (until - since) / timedelta(hours=1)
    return next((told for told in _HOURS if hours / told <= MOST_STRETCHES), _HOURS[-1])


def hours_of(wanted: Wanted) -> int:
    """Return how many hours a stretch of a span has to have. Raises ValueError for one without both ends."""
    if wanted.since is None or wanted.until is None:
        raise ValueError("expected a span with both ends, got one that is open")
    return stretch_hours(wanted.since, wanted.until)


def series(store: Store, wanted: Wanted) -> list[Stretch]:
    """Return the stretches of one probe, by depth and time; `wanted` names probe, since and until."""
    hours = hours_of(wanted)
    terms = wanted.terms()
    counts = f"r.verdict_flag NOT IN ({int(Verdict.FAIL)}, {int(Verdict.MISSING)})"
    gravity = " ".join(f"WHEN {int(flag)} THEN {rank}" for rank, flag in enumerate(reversed(_GRAVITY)))
    # One whole number, the rank over the instant: a tenth of the work of a pair.
    order = f"((CASE r.verdict_flag {gravity} END)::BIGINT << 58) + epoch_us(r.measured_at)"
    each = ", ".join(f"count(*) FILTER (r.verdict_flag = {int(flag)})" for flag in Verdict)
    rows: list[Any] = store.con.execute(
        f"""
        SELECT r.depth_index, arg_max(l.depth_cm, r.measured_at), min(r.measured_at), count(*),
               min(r.vwc_m3_m3) FILTER ({counts}), max(r.vwc_m3_m3) FILTER ({counts}),
               avg(r.vwc_uncertainty_m3_m3) FILTER ({counts}), avg(r.soil_temperature_degc), min(r.supply_v),
               arg_max(r.verdict_flag, {order}), arg_max(r.measured_at, {order}),
               arg_max_null(r.vwc_m3_m3, {order}), avg(r.plant_available_fraction) FILTER ({counts}),
               {each}
        {source_of(probe_numbers(store, wanted, None))}
        WHERE {where(terms)}
        GROUP BY r.depth_index, epoch_us(r.measured_at) // {hours * 3_600_000_000}
        ORDER BY 1, 3
        """,
        parameters(terms),
    ).fetchall()
    return [Stretch(*(*row[:9], Verdict(row[9]).word, *row[10:13], row[13:])) for row in rows]


def counted(stretches: Sequence[Stretch]) -> dict[str, int]:
    """Return how many readings of some stretches have which verdict, those that occur."""
    totals = [sum(counts) for counts in zip(*(stretch.verdicts for stretch in stretches), strict=True)]
    return {flag.word: total for flag, total in zip(Verdict, totals, strict=False) if total}


def newest_reading(store: Store, wanted: Wanted, likely_since: Sequence[datetime] = ()) -> datetime | None:
    """Return the instant of the newest reading that is wanted, None where there is none.

    It is looked for from each of `likely_since` on first, in their order: where readings stand in order of time,
    the rest is left alone then.
    """
    numbers = probe_numbers(store, wanted, None)
    # To plan the whole join takes longer than to find one reading.
    joined = wanted.customer is not None or wanted.site is not None
    source = source_of(numbers) if joined else alone_of(numbers)
    for since in dict.fromkeys((*likely_since, wanted.since)):
        terms = replace(wanted, since=since).terms()
        rows = store.con.execute(
            f"SELECT max(r.measured_at) {source} WHERE {where(terms)}", parameters(terms)
        ).fetchall()
        newest: datetime | None = rows[0][0]
        if newest is not None:
            return newest
    return None


def radio_since(store: Store, since: datetime, until: datetime) -> datetime:
    """Return from when on radio is told of a span: from its beginning, in a large store of its last days alone."""
    held = int(store.scalar("SELECT count(*) FROM uplink")) + sum(file.rows for file in store.archived)
    if held <= _MOST_SEARCHED:
        return since
    of_a_day = 24 * max(1, int(store.scalar("SELECT count(*) FROM probe_identity")))
    return max(since, until - timedelta(days=min(_RADIO_DAYS, max(1, _MOST_SEARCHED // of_a_day))))


def links(store: Store, probe_id: int, spans: list[tuple[datetime, datetime]], hours: int) -> list[Link]:
    """Return a probe's radio within spans of heard_at, [since, until) each, in stretches of so many hours."""
    if not spans:
        return []
    since, until = min(begun for begun, _ in spans), max(end for _, end in spans)
    rows = store.con.sql(
        f"SELECT {_OF_RADIO} FROM {store.raw_log(since, until, [probe_id])} "  # noqa: S608 - our own names
        "WHERE probe_id = ? AND heard_at >= ? AND heard_at < ?",
        params=[probe_id, since, until],
    ).to_arrow_table()
    if not rows.num_rows:
        return []
    rows = _with_payloads(store, probe_id, rows)
    uplinks = merge(rows)
    at = uplinks.heard_at_us
    lost = sessions(uplinks.probe_id, at, ints(whole(rows, "dev_addr"))[uplinks.first], uplinks.fcnt).lost_before
    margin = margin_db(uplinks.best_snr_db, floats(whole(rows, "spreading_factor"))[uplinks.first])
    inside = np.zeros(len(at), dtype=bool)
    for begun, end in spans:
        inside |= (at >= microseconds(begun)) & (at < microseconds(end))
    stretch = at // (hours * 3_600_000_000)
    heard_at = instants(whole(rows, "heard_at"))
    told: list[Link] = []
    for number in np.unique(stretch[inside]).tolist():
        of = np.flatnonzero(inside & (stretch == number))
        known = margin[of][~np.isnan(margin[of])]
        first = uplinks.first[of[np.argmin(at[of])]]
        told.append(
            Link(
                instant(int(heard_at[first])),
                float(np.median(known)) if len(known) else None,
                len(of),
                int(lost[of].sum()),
            )
        )
    return told


def _with_payloads(store: Store, probe_id: int, rows: pa.Table) -> pa.Table:
    """Return one probe's deliveries with the payloads of those that have their counter in common with another."""
    low = ints(whole(rows, "fcnt")) & 0xFFFF
    _, of, count = np.unique(low, return_inverse=True, return_counts=True)
    shared = rows.filter(pa.array(count[of] > 1))
    if not shared.num_rows:
        return rows
    instants_at = shared.column("heard_at").to_pylist()
    log = store.raw_log(min(instants_at), max(instants_at) + timedelta(microseconds=1), [probe_id])
    found = store.con.execute(
        f"SELECT seq, payload FROM {log} WHERE probe_id = $probe_id AND heard_at >= $since AND heard_at <= $until "  # noqa: S608
        "AND list_contains($at, heard_at)",
        {"probe_id": probe_id, "since": min(instants_at), "until": max(instants_at), "at": instants_at},
    ).fetchall()
    payloads = dict(found)
    column = pa.array([payloads.get(seq, b"") for seq in rows.column("seq").to_pylist()], pa.binary())
    return rows.set_column(rows.column_names.index("payload"), "payload", column)
