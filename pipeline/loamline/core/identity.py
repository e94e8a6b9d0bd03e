"""Which deliveries are the same uplink, and which uplinks belong to one LoRaWAN session.

Input: raw-log rows (`loamline_schemas.tables.UPLINK`) in any order. Output: one entry an uplink. The result
depends on the set of deliveries alone.

Two deliveries are one uplink if dev_eui, dev_addr, fcnt (its lower 16 bits, which every network gives), fport
and payload agree and they stand within 10 minutes of each other, single linkage; where one of them carries our own
clock's time, whenever.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loamline.core.columns import (
    MINUTE_US,
    Bools,
    Floats,
    Ints,
    floats,
    group_starts,
    instants,
    ints,
    order_by,
    whole,
)

LINK_US = 10 * MINUTE_US
CLOCK = 2

#: The columns that `merge` reads of a delivery.
MERGE_COLUMNS = (
    "probe_id",
    "dev_addr",
    "fcnt",
    "fport",
    "payload",
    "heard_at",
    "heard_at_source",
    "receptions",
    "digest",
)

#: LoRaWAN 1.0.3 section 4.3.1.5: a 16-bit counter that went on by less than this rolled over.
LARGEST_FCNT_GAP = 16384
#: A fall by so little is two gateways' clocks disagreeing, not a restart (common practice).
DISORDER = 8


@dataclass(frozen=True)
class Uplinks:
    """k uplinks merged from n deliveries.

    `first`: the delivery that stands for each, shape (k,); `uplink_of`: the uplink of each delivery, shape (n,).
    `heard_at_us`: the earliest delivery's. Radio figures are over the union of receptions, NaN where none told.
    """

    first: Ints
    uplink_of: Ints
    probe_id: Ints
    heard_at_us: Ints
    fcnt: Ints
    gateways: Ints
    best_rssi_dbm: Floats
    best_snr_db: Floats


def merge(deliveries: pa.Table) -> Uplinks:
    """Return the uplinks that these deliveries are of."""
    n = deliveries.num_rows
    probe, heard = ints(whole(deliveries, "probe_id")), instants(whole(deliveries, "heard_at"))
    fcnt = ints(whole(deliveries, "fcnt"))
    shared = _shared(probe, fcnt & 0xFFFF)
    alone = np.flatnonzero(~shared)
    several = np.flatnonzero(shared)
    uplink_of = np.empty(n, dtype=np.int64)
    uplink_of[alone] = np.arange(len(alone))
    linked, first_of_linked = _linked(deliveries.take(pa.array(several)))
    uplink_of[several] = len(alone) + linked
    first = np.concatenate([alone, several[first_of_linked]])
    widest = fcnt[first]
    np.maximum.at(widest, uplink_of[several], fcnt[several])
    gateways, rssi, snr = _radio(deliveries, uplink_of, len(first))
    return Uplinks(first, uplink_of, probe[first], heard[first], widest, gateways, rssi, snr)


def _shared(probe: Ints, low_fcnt: Ints) -> Bools:
    """Return which deliveries have probe and counter in common with another: no other can be of one uplink."""
    order = order_by(probe, low_fcnt)
    starts = group_starts(probe[order], low_fcnt[order])
    shared = np.ones(len(probe), dtype=bool)
    shared[order] = ~(starts & np.append(starts[1:], True))
    return shared


def _linked(deliveries: pa.Table) -> tuple[Ints, Ints]:
    """Return the uplink of each delivery, numbered from 0, and the delivery that stands for each of them."""
    n = deliveries.num_rows
    probe, heard = ints(whole(deliveries, "probe_id")), instants(whole(deliveries, "heard_at"))
    dev_addr, low = ints(whole(deliveries, "dev_addr")), ints(whole(deliveries, "fcnt")) & 0xFFFF
    fport = ints(whole(deliveries, "fport"))
    payload = ints(whole(deliveries, "payload").dictionary_encode().indices)
    digest = whole(deliveries, "digest").to_numpy(zero_copy_only=False)
    by_clock = ints(whole(deliveries, "heard_at_source")) == CLOCK

    order = np.lexsort((digest, heard, payload, fport, low, dev_addr, probe))
    same_key = (probe[order], dev_addr[order], low[order], fport[order], payload[order])
    starts = group_starts(*same_key)
    if n:
        starts[1:] |= np.diff(heard[order]) > LINK_US
    uplink_of = np.empty(n, dtype=np.int64)
    uplink_of[order] = np.cumsum(starts) - 1
    if by_clock.any():
        key = np.empty(n, dtype=np.int64)
        key[order] = np.cumsum(group_starts(*same_key)) - 1
        uplink_of = _join_untimed(uplink_of, key, by_clock)
    by_uplink = np.lexsort((digest, heard, uplink_of))
    return uplink_of, by_uplink[np.flatnonzero(group_starts(uplink_of[by_uplink]))]


def _join_untimed(uplink_of: Ints, key: Ints, by_clock: Bools) -> Ints:
    """Merge the uplinks of one key wherever a delivery among them has no time of its own; new uplink numbers.

    A key holds the session's dev_addr and the payload with the probe's own sample counter, so that a key that
    comes again is a redelivery and not a restart.
    """
    loose = np.zeros(int(key.max()) + 1, dtype=bool)
    loose[key[by_clock]] = True
    label = np.where(loose[key], key, len(loose) + uplink_of)
    return np.unique(label, return_inverse=True)[1].reshape(-1)


def _radio(deliveries: pa.Table, uplink_of: Ints, count: int) -> tuple[Ints, Floats, Floats]:
    """Return gateways, best RSSI and best SNR of each uplink over the union of its receptions.

    A gateway's antenna that reported twice counts once, with its best SNR.
    """
    receptions = whole(deliveries, "receptions")
    heard = receptions.flatten()
    uplink = np.repeat(uplink_of, np.asarray(receptions.value_lengths().fill_null(0), dtype=np.int64))
    gateway = ints(heard.field("gateway").dictionary_encode().indices)
    antenna = ints(heard.field("antenna"))
    # Adding 0.0 makes one zero of two, whose order nothing tells.
    rssi, snr = floats(heard.field("rssi_dbm")) + 0.0, floats(heard.field("snr_db")) + 0.0
    low_snr, low_rssi = np.nan_to_num(snr, nan=-np.inf), np.nan_to_num(rssi, nan=-np.inf)

    order = order_by(uplink, gateway, antenna)
    again = ~group_starts(uplink[order], gateway[order], antenna[order])
    if again.any():
        order = np.lexsort((low_rssi, low_snr, antenna, gateway, uplink))
        last = np.roll(group_starts(uplink[order], gateway[order], antenna[order]), -1)
        order = order[last]
    best_rssi, best_snr = np.full(count, -np.inf), np.full(count, -np.inf)
    begins = np.flatnonzero(group_starts(uplink[order]))
    if len(begins):
        told = uplink[order][begins]
        best_rssi[told] = np.maximum.reduceat(low_rssi[order], begins)
        best_snr[told] = np.maximum.reduceat(low_snr[order], begins)
    own = group_starts(uplink[order], gateway[order])
    gateways = np.bincount(uplink[order][own], minlength=count).astype(np.int64)
    return gateways, np.where(np.isinf(best_rssi), np.nan, best_rssi), np.where(np.isinf(best_snr), np.nan, best_snr)


@dataclass(frozen=True)
class Sessions:
    """`session` (numbered from 0 a probe), the widened counter and the uplinks lost just before, each shape (n,)."""

    session: Ints
    fcnt32: Ints
    lost_before: Ints


def sessions(probe: Ints, heard_at_us: Ints, dev_addr: Ints, fcnt: Ints) -> Sessions:
    """Return the LoRaWAN session, 32-bit counter and preceding loss of each uplink, all shape (n,), any order.

    In order of time: another dev_addr than the session's starts one; so does a fall of the counter, unless it rolled
    over from 65535 (LoRaWAN 1.0.3 section 4.3.1.5) or fell by so little that two clocks disagree. -1 means no dev_addr:
    such an uplink belongs to the session that its counter continues, which keeps the address that others gave it.
    Losses are the gaps between a session's counters in their own order: one that is late is not lost.
    """
    n = len(probe)
    order = np.lexsort((dev_addr, fcnt, heard_at_us, probe))
    p, address, count = probe[order], dev_addr[order], fcnt[order]
    step = np.diff(count, prepend=count[:1])
    sixteen = (count <= 0xFFFF) & (count - step <= 0xFFFF)
    rolled = sixteen & (step < 0) & (step + 0x1_0000 < LARGEST_FCNT_GAP)
    rolled_back = sixteen & (step >= 0x1_0000 - DISORDER)  # the disorder of two clocks, across a rollover
    disorder = (step < 0) & (step >= -DISORDER) & (count > DISORDER)
    fresh = group_starts(p)
    starts = fresh | ((step < 0) & ~rolled & ~disorder)
    starts |= _new_address(address, starts)

    running = np.cumsum(starts)
    turns = np.cumsum(np.where(starts, 0, rolled.astype(np.int64) - rolled_back))
    lowest = np.full(n + 1, np.iinfo(np.int64).max)
    np.minimum.at(lowest, running, turns)
    wide = count + (turns - lowest[running]) * 0x1_0000

    by_count = np.lexsort((wide, running))
    gap = np.maximum(np.diff(wide[by_count], prepend=0) - 1, 0)
    lost = np.empty(n, np.int64)
    lost[by_count] = np.where(group_starts(running[by_count]), 0, gap)
    first_of_probe = np.maximum.accumulate(np.where(fresh, running, 0))
    told = Sessions(np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64))
    told.session[order] = running - first_of_probe
    told.fcnt32[order] = wide
    told.lost_before[order] = lost
    return told


def _new_address(address: Ints, starts: Bools) -> Bools:
    """Return where an address stands that is not the last known since a session's start, shape (n,).

    Rows are in order; `starts` are the beginnings that the counter tells.
    """
    index = np.arange(len(address))
    begin = np.maximum.accumulate(np.where(starts, index, 0)) if len(index) else index
    known = np.maximum.accumulate(np.where(address >= 0, index, -1)) if len(index) else index
    before = np.concatenate([[-1], known[:-1]]) if len(index) else index
    return np.asarray((address >= 0) & (before >= begin) & (address != address[before]))
