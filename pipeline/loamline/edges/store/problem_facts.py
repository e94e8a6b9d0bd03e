"""What the store tells of probes and gateways, as `core.fleet_problems` judges it; bounded by what is asked about."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import floats, instant, instants, ints, whole
from loamline.core.fleet_problems import SLOT_US, STRETCH_UPLINKS, STRETCH_US, Heard, ProbeFacts, Told
from loamline.core.identity import merge
from loamline.core.radio import margin_db
from loamline.core.radio_links import plausible
from loamline.edges.store.connection import Store
from loamline.edges.store.placements import standing
from loamline.edges.store.revisions import CURRENT
from loamline_schemas.verdicts import Verdict

#: Deliveries of a probe that are looked at for its stretch; an uplink may come as several.
_MOST_DELIVERIES = 4 * STRETCH_UPLINKS
_BAD = f"({Verdict.SUSPECT:d}, {Verdict.FAIL:d})"


@dataclass(frozen=True)
class Known:
    """A probe's facts, and who it is: serial, hardware, site and label as the registry has them then, else None."""

    probe_id: int
    facts: ProbeFacts
    firmware: str | None
    serial: str | None
    hardware: str | None
    site: str | None
    label: str | None


def last_heard_us(store: Store) -> dict[int, int]:
    """Return when each probe was last heard, by number, over the whole raw log."""
    rows = store.con.execute(f"SELECT probe_id, epoch_us(max(heard_at)) FROM {store.raw_log()} GROUP BY probe_id")  # noqa: S608
    return {int(number): int(at) for number, at in rows.fetchall()}


def gateway_slots(store: Store, *, since: datetime | None = None, after_seq: int | None = None) -> dict[str, list[int]]:
    """Return in which slots each gateway heard something, ascending: of uplinks since then, or stored after that."""
    log = "uplink" if after_seq is not None else store.raw_log(since)
    wanted, value = ("seq > ?", after_seq) if after_seq is not None else ("heard_at >= ?", since)
    rows = store.con.execute(
        f"""
        SELECT DISTINCT gateway, slot FROM (
            SELECT unnest(list_transform(receptions, lambda told: told.gateway)) AS gateway,
                   epoch_us(heard_at) // {SLOT_US} * {SLOT_US} AS slot
            FROM {log} WHERE {wanted}
        ) WHERE gateway IS NOT NULL ORDER BY gateway, slot
        """,  # noqa: S608 - our own names
        [value],
    ).fetchall()
    slots: dict[str, list[int]] = defaultdict(list)
    for gateway, slot in rows:
        slots[gateway].append(int(slot))
    return slots


def probe_numbers(store: Store) -> list[int]:
    """Return the number of every probe that was ever heard or registered."""
    return [int(number) for (number,) in store.con.execute("SELECT probe_id FROM probe_identity").fetchall()]


def known_probes(store: Store, numbers: Iterable[int], last_us: dict[int, int], now: datetime) -> list[Known]:
    """Return the facts of some probes; `last_us` as `last_heard_us` gives it, the registry's word as of `now`."""
    some = sorted(set(numbers))
    if not some:
        return []
    last = [last_us.get(number) for number in some]
    table = pa.table({"probe_id": pa.array(some, pa.int32()), "last_us": pa.array(last, pa.int64())})
    store.con.register("_asked", table)
    try:
        named = _named(store, now)
        heard = _heard(store, [at for at in last if at is not None], some)
        told, firmware = _told(store, heard)
    finally:
        store.con.unregister("_asked")
    return [
        Known(
            number,
            ProbeFacts(
                row["dev_eui"],
                row["registered"],
                row["placed_since_us"],
                tuple(heard.get(number, ())),
                tuple(told.get(number, ())),
            ),
            firmware.get(number),
            row["serial"],
            row["hardware"],
            row["site"],
            row["label"],
        )
        for number, row in sorted(named.items())
    ]


def _named(store: Store, now: datetime) -> dict[int, dict[str, Any]]:
    asked = standing("SELECT dev_eui FROM probe_identity JOIN _asked USING (probe_id)")
    rows = store.con.sql(
        f"""
        SELECT probe_id, dev_eui, serial IS NOT NULL AS registered, serial, hardware,
               epoch_us(placed_since) AS placed_since_us, site, nullif(array_to_string(labels, ', '), '') AS label
        FROM {asked}
        """,  # noqa: S608 - our own names
        params={"at": now},
    )
    return {row.pop("probe_id"): row for row in rows.to_arrow_table().to_pylist()}


def _heard(store: Store, last: list[int], numbers: list[int]) -> dict[int, list[Heard]]:
    """Return each probe's stretch of uplinks, the oldest first."""
    if not last:
        return {}
    # Both ends, so that only row groups and archived files of that time are looked at.
    since, until = instant(min(last) - STRETCH_US), instant(max(last))
    deliveries = store.con.sql(
        f"""
        SELECT u.* EXCLUDE (stored_at) FROM {store.raw_log(since, until, numbers)} u JOIN _asked a USING (probe_id)
        WHERE u.heard_at BETWEEN ? AND ? AND epoch_us(u.heard_at) BETWEEN a.last_us - {STRETCH_US} AND a.last_us
        QUALIFY row_number() OVER (PARTITION BY u.probe_id ORDER BY u.heard_at DESC, u.digest) <= {_MOST_DELIVERIES}
        """,  # noqa: S608 - our own names
        params=[since, until],
    ).to_arrow_table()
    uplinks = merge(deliveries)
    factor = floats(whole(deliveries, "spreading_factor"))[uplinks.first]
    margin = margin_db(plausible(uplinks.best_snr_db), factor)
    order = np.lexsort((margin, uplinks.heard_at_us, uplinks.probe_id))
    heard: dict[int, list[Heard]] = defaultdict(list)
    for row in order.tolist():
        heard[int(uplinks.probe_id[row])].append(Heard(int(uplinks.heard_at_us[row]), float(margin[row])))
    return {number: stretch[-STRETCH_UPLINKS:] for number, stretch in heard.items()}


def _told(store: Store, heard: dict[int, list[Heard]]) -> tuple[dict[int, list[Told]], dict[int, str]]:
    """Return what the readings of each probe's stretch say, the oldest first, and each one's newest firmware."""
    if not heard:
        return {}, {}
    spans = {
        "probe_id": pa.array(list(heard), pa.int32()),
        "from_us": pa.array([stretch[0].at_us for stretch in heard.values()], pa.int64()),
    }
    first = min(stretch[0].at_us for stretch in heard.values())
    last = max(stretch[-1].at_us for stretch in heard.values())
    store.con.register("_stretch", pa.table(spans))
    try:
        rows = store.con.sql(
            f"""
            SELECT probe_id, heard_at,
                CASE WHEN bool_or(supply_low IS TRUE OR supply_flag IN {_BAD}) THEN true
                     WHEN bool_or(supply_flag = {Verdict.PASS:d}) THEN false END AS low_supply,
                CASE WHEN bool_or(stuck_flag IN {_BAD}) THEN true
                     WHEN bool_or(stuck_flag = {Verdict.PASS:d}) THEN false END AS stuck,
                CASE WHEN bool_or(frost_flag = {Verdict.FAIL:d}) THEN true
                     WHEN bool_or(frost_flag = {Verdict.PASS:d}) AND NOT bool_or(frost_flag = {Verdict.SUSPECT:d})
                     THEN false END AS frost,
                sum(conflicts)::BIGINT AS conflicts,
                max((firmware_major, firmware_minor)) FILTER (firmware_major IS NOT NULL) AS firmware
            FROM {CURRENT} JOIN _stretch USING (probe_id)
            WHERE heard_at BETWEEN ? AND ? AND epoch_us(heard_at) >= from_us
            GROUP BY probe_id, heard_at ORDER BY probe_id, heard_at
            """,  # noqa: S608 - our own names
            params=[instant(first), instant(last)],
        ).to_arrow_table()
    finally:
        store.con.unregister("_stretch")
    told: dict[int, list[Told]] = defaultdict(list)
    newest: dict[int, dict[str, int]] = {}
    numbers, at = ints(whole(rows, "probe_id")).tolist(), instants(whole(rows, "heard_at")).tolist()
    words = ("low_supply", "stuck", "frost", "conflicts", "firmware")
    for number, when, *said in zip(numbers, at, *(rows.column(name).to_pylist() for name in words), strict=True):
        low_supply, stuck, frost, conflicts, version = said
        told[number].append(Told(when, low_supply, stuck, frost, int(conflicts or 0)))
        if version is not None:
            newest[number] = version
    return told, {number: ".".join(map(str, version.values())) for number, version in newest.items()}
