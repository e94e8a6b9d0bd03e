"""How every probe of a store does: when it was last heard, its supply, its radio link, what was lost, its verdicts.

Over a window of days the raw log's deliveries are merged into uplinks and numbered into sessions by the same pure
functions that derive readings, so that a redelivery is no uplink and a rollover is no loss. Probes go through in
blocks, so that memory does not grow with the fleet.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import floats, group_starts, ints, medians, whole
from loamline.core.identity import MERGE_COLUMNS, merge, sessions
from loamline.core.problem_kinds import Kind
from loamline.core.radio import margin_db
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet_newest import last_heard, newest_readings
from loamline.edges.store.placements import standing
from loamline.edges.store.revisions import CURRENT
from loamline.edges.store.sql_lists import listed
from loamline_schemas.verdicts import Verdict

#: Probes that are looked at in one go.
BLOCK = 2_000

# When a probe needs attention; common practice.
#: Silent: not heard for this many of its own usual spacings, and at least so many minutes (hourly probes).
SILENT_SPACINGS, SILENT_MINUTES = 2.5, 150.0
#: Less margin than this over the demodulation floor fades away in rain, or under a grown crop.
WEAK_MARGIN_DB = 3.0
#: A larger share of the uplinks than this is lost; a larger share of the readings fails or is missing.
MANY_LOST, MANY_FAILING = 0.10, 0.05

#: What merging deliveries into uplinks, sessions and margin need of one.
_OF_RADIO = ", ".join(("seq", *MERGE_COLUMNS, "spreading_factor"))
#: The years that a datetime can hold.
_EARLIEST, _LATEST = datetime(1, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)


@dataclass
class ProbeHealth:
    """One probe; units stand in the names. None where nothing is known.

    `site` and `labels` are the placements in force. Counts, `margin_db` (median over the window's uplinks of the best
    SNR over the demodulation floor) and `share_lost` (lost / (lost + heard), by the frame counter's gaps) are of the
    window; the rest is the newest known. `attention` says what needs it, the gravest first, in the words of
    `core.problem_kinds.Kind`.
    """

    dev_eui: str
    registered: bool
    serial: str | None = None
    site: str | None = None
    labels: list[str] = field(default_factory=list)
    last_heard_at: datetime | None = None
    supply_v: float | None = None
    supply_low: bool | None = None
    tilted: bool | None = None
    firmware: str | None = None
    codec: str | None = None
    heard: int = 0
    lost: int = 0
    share_lost: float | None = None
    margin_db: float | None = None
    usual_spacing_minutes: float | None = None
    verdicts: dict[str, int] = field(default_factory=lambda: {flag.word: 0 for flag in Verdict})
    set_aside: int = 0
    conflicts: int = 0
    attention: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Period:
    """The window's two ends, (since, until], and the instant that silence is measured from."""

    since: datetime
    until: datetime
    now: datetime

    @classmethod
    def of(cls, as_of: datetime | None, now: datetime, days: float) -> Period:
        """Return the last `days` before `as_of`; without it, of all that is heard by `now` or stamped later."""
        end = as_of or now
        since = end - min(timedelta(days=days), end - _EARLIEST)
        return cls(since, as_of or _LATEST, end)


def fleet(
    store: Store,
    period: Period,
    site: str | None = None,
    block: int = BLOCK,
    dev_euis: Collection[str] | None = None,
) -> list[ProbeHealth]:
    """Return every probe ever heard or registered, at `site` where one is named, neediest first, then by dev_eui.

    With `dev_euis` these alone, and nothing is read of others.
    """
    probes = {
        number: probe for number, probe in _probes(store, period.now, dev_euis).items() if site in (None, probe.site)
    }
    numbers = sorted(probes)
    # Most were heard within a day, and the rest of the window need not be read for them.
    since = sorted({max(period.since, period.now - timedelta(days=1)), period.since}, reverse=True)
    _fill(probes, last_heard(store, numbers, since, period.until))
    _fill(probes, newest_readings(store, numbers, since, period.until))
    for start in range(0, len(numbers), block):
        some = numbers[start : start + block]
        _count_verdicts(probes, store, period, some)
        _radio(probes, store, period, some)
    for probe in probes.values():
        probe.attention = attention(probe, period.now)
    return sorted(probes.values(), key=lambda probe: _need(probe, period.now))


def attention(probe: ProbeHealth, now: datetime) -> list[str]:
    """Return what needs attention about a probe, words of `Kind`, the gravest first; empty for a healthy one."""
    readings = sum(probe.verdicts.values())
    bad = probe.verdicts[Verdict.FAIL.word] + probe.verdicts[Verdict.MISSING.word]
    patience = max(SILENT_MINUTES, SILENT_SPACINGS * (probe.usual_spacing_minutes or 0.0))
    heard = probe.last_heard_at
    told = (
        (Kind.NEVER_HEARD, heard is None),
        (Kind.SILENT, heard is not None and now - heard > timedelta(minutes=patience)),
        (Kind.LOW_SUPPLY, probe.supply_low is True),
        (Kind.TILTED, probe.tilted is True),
        (Kind.SET_ASIDE, probe.set_aside > 0),
        (Kind.FAILING, readings > 0 and bad / readings > MANY_FAILING),
        (Kind.LOSING_UPLINKS, probe.share_lost is not None and probe.share_lost > MANY_LOST),
        (Kind.WEAK_LINK, probe.margin_db is not None and probe.margin_db < WEAK_MARGIN_DB),
        (Kind.CONFLICTS, probe.conflicts > 0),
        (Kind.NOT_REGISTERED, not probe.registered),
        (Kind.NOT_PLACED, probe.registered and probe.site is None),
    )
    return [kind.value for kind, needed in told if needed]


def _need(probe: ProbeHealth, now: datetime) -> tuple[Any, ...]:
    """Return a sort key: the longest silent first, then those with most words, then by dev_eui."""
    quiet = probe.attention[:1] in ([Kind.SILENT], [Kind.NEVER_HEARD])
    since = (probe.last_heard_at or datetime.min.replace(tzinfo=UTC)) if quiet else now
    return not quiet, since, -len(probe.attention), probe.dev_eui


def _probes(store: Store, now: datetime, dev_euis: Collection[str] | None) -> dict[int, ProbeHealth]:
    among = standing("" if dev_euis is None else "SELECT unnest($dev_euis)")
    rows = store.con.sql(
        f"SELECT probe_id, dev_eui, serial IS NOT NULL AS registered, serial, site, labels FROM {among}",  # noqa: S608
        params={"at": now} | ({} if dev_euis is None else {"dev_euis": [*dev_euis]}),
    )
    return {row.pop("probe_id"): ProbeHealth(**row) for row in rows.to_arrow_table().to_pylist()}


def _fill(probes: dict[int, ProbeHealth], rows: pa.Table) -> None:
    for row in rows.to_pylist():
        probe = probes.get(row.pop("probe_id"))
        for name, value in row.items() if probe else ():
            setattr(probe, name, value)


def _of(numbers: Sequence[int]) -> str:
    """Return the condition of SQL that holds for rows of these probes, one at least, in ascending order."""
    return f"probe_id BETWEEN {numbers[0]:d} AND {numbers[-1]:d} AND probe_id IN ({listed(numbers)})"


def _count_verdicts(probes: dict[int, ProbeHealth], store: Store, period: Period, numbers: Sequence[int]) -> None:
    rows = store.con.sql(
        f"SELECT probe_id, verdict_flag, count(*), sum(conflicts) FROM {CURRENT} WHERE {_of(numbers)} "  # noqa: S608
        "AND measured_at > ? AND measured_at <= ? GROUP BY probe_id, verdict_flag",
        params=[period.since, period.until],
    ).fetchall()
    words = {int(flag): flag.word for flag in Verdict}
    for number, flag, count, conflicts in rows:
        probes[number].verdicts[words[flag]] = int(count)
        probes[number].conflicts += int(conflicts)


def _radio(probes: dict[int, ProbeHealth], store: Store, period: Period, numbers: Sequence[int]) -> None:
    """Fill in what the window's uplinks tell: heard, lost, margin, spacing, and how many were set aside."""
    deliveries = store.con.sql(
        f"SELECT {_OF_RADIO} FROM {store.raw_log(period.since, period.until)} "  # noqa: S608
        f"WHERE {_of(numbers)} AND heard_at > ? AND heard_at <= ?",
        params=[period.since, period.until],
    ).to_arrow_table()
    aside = store.con.sql(
        f"SELECT seq FROM set_aside WHERE {_of(numbers)} AND heard_at > ? AND heard_at <= ?",  # noqa: S608
        params=[period.since, period.until],
    ).fetchall()
    uplinks = merge(deliveries)
    address = ints(whole(deliveries, "dev_addr"))[uplinks.first]
    lost = sessions(uplinks.probe_id, uplinks.heard_at_us, address, uplinks.fcnt).lost_before
    margin = margin_db(uplinks.best_snr_db, floats(whole(deliveries, "spreading_factor"))[uplinks.first])
    refused = np.isin(ints(whole(deliveries, "seq")), np.array([seq for (seq,) in aside], dtype=np.int64))
    kept_aside = np.zeros(len(uplinks.first), dtype=bool)
    kept_aside[uplinks.uplink_of[refused]] = True
    order = np.lexsort((uplinks.heard_at_us, uplinks.probe_id))
    probe_id, heard_at_us = uplinks.probe_id[order], uplinks.heard_at_us[order]
    begins = np.flatnonzero(group_starts(probe_id))
    if not len(begins):
        return
    spacing_minutes = np.diff(heard_at_us, prepend=heard_at_us[:1]) / 60e6
    spacing_minutes[begins] = np.nan
    told = zip(
        probe_id[begins].tolist(),
        np.diff(np.append(begins, len(order))).tolist(),
        np.add.reduceat(lost[order], begins).tolist(),
        medians(margin[order], begins).tolist(),
        medians(spacing_minutes, begins).tolist(),
        np.add.reduceat(kept_aside[order].astype(np.int64), begins).tolist(),
        strict=True,
    )
    for number, heard, missing, margin_median_db, spacing_median_minutes, refusals in told:
        probe = probes[number]
        probe.heard, probe.lost, probe.set_aside = heard, missing, refusals
        probe.share_lost = missing / (missing + heard)
        probe.margin_db = None if math.isnan(margin_median_db) else margin_median_db
        probe.usual_spacing_minutes = None if math.isnan(spacing_median_minutes) else spacing_median_minutes
