"""Which gateway heard which uplink how well, and on which days the uplinks were sent that nobody heard.

Columns in, columns out; `core.identity` says before what an uplink and a session is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loamline.core.columns import DAY_US, Floats, Ints, floats, group_starts, ints, whole
from loamline.core.identity import Sessions

#: No receiver tells a level this far from 0, in dB or dBm: it is taken as not told.
_FURTHEST_DB = 300.0


def plausible(level_db: Floats) -> Floats:
    """Return levels with NaN in place of those that no receiver tells, same shape."""
    return np.asarray(np.where(np.abs(level_db) <= _FURTHEST_DB, level_db, np.nan))


@dataclass(frozen=True)
class Heard:
    """What each gateway heard: one row an uplink and gateway, shape (r,), by uplink and gateway.

    `gateway` is an index into `names`; RSSI and SNR are the best of the gateway's antennas, NaN where none told.
    """

    uplink: Ints
    gateway: Ints
    rssi_dbm: Floats
    snr_db: Floats
    names: list[str]


def heard(deliveries: pa.Table, uplink_of: Ints) -> Heard:
    """Return what each gateway heard of the uplinks, over the union of their deliveries' receptions.

    RSSI is that of the antenna with the best SNR, so that both belong together.
    """
    receptions = whole(deliveries, "receptions")
    rows = receptions.flatten()
    uplink = np.repeat(uplink_of, np.asarray(receptions.value_lengths().fill_null(0), dtype=np.int64))
    encoded = rows.field("gateway").dictionary_encode()
    gateway = ints(encoded.indices)
    rssi, snr = plausible(floats(rows.field("rssi_dbm"))), plausible(floats(rows.field("snr_db")))
    best_last = np.lexsort(
        (np.nan_to_num(rssi, nan=-np.inf), np.nan_to_num(snr, nan=-np.inf), gateway, uplink),
    )
    last = np.roll(group_starts(uplink[best_last], gateway[best_last]), -1)
    kept = best_last[last]
    return Heard(uplink[kept], gateway[kept], rssi[kept], snr[kept], encoded.dictionary.to_pylist())


@dataclass(frozen=True)
class LostDays:
    """Uplinks of a probe lost on a UTC day (since 1970), shape (m,) each; a day may come up more than once."""

    probe_id: Ints
    day: Ints
    lost: Ints


def lost_by_day(probe: Ints, heard_at_us: Ints, told: Sessions, until_us: int) -> LostDays:
    """Return the days that losses fall on: those between two uplinks are spread evenly over the time between them.

    Shapes (n,). Nobody knows when an uplink was sent that nobody heard; a probe that sends at intervals makes this
    right to within one of them. Nothing lies behind `until_us`.
    """
    order = np.lexsort((told.fcnt32, told.session, probe))
    before = np.roll(heard_at_us[order], 1)
    gaps = np.flatnonzero(told.lost_before[order] > 0)
    row = order[gaps]
    end, lost = np.minimum(heard_at_us[row], until_us), told.lost_before[row]
    # Two clocks that disagree can put the later counter first: then all of the gap is at its end.
    start = np.minimum(before[gaps], end)
    first, last = start // DAY_US, end // DAY_US
    days = last - first + 1
    gap = np.repeat(np.arange(len(row)), days)
    day = first[gap] + (np.arange(len(gap)) - np.repeat(np.cumsum(days) - days, days))
    through = _lost_before(start[gap], end[gap], lost[gap], (day + 1) * DAY_US)
    through[day == last[gap]] = lost[gap][day == last[gap]]
    sooner = np.where(day == first[gap], 0, np.roll(through, 1))
    number = through - sooner
    some = number > 0
    return LostDays(probe[row][gap][some], day[some], number[some])


def _lost_before(start: Ints, end: Ints, lost: Ints, at: Ints) -> Ints:
    """Return how many of `lost` uplinks, evenly between start and end, were sent before `at`."""
    share = np.where(end > start, (at - start) / np.maximum(end - start, 1), 1.0)
    return np.asarray(np.clip(np.ceil(share * (lost + 1.0)).astype(np.int64) - 1, 0, lost))
