"""Wall-clock time of a place, for people who read by the clock on the wall: an IANA zone's offset added to UTC.

Offsets come from the time zone database by way of the standard library; they change at whole quarters of an hour UTC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np

from loamline.core.columns import MINUTE_US, Ints

_QUARTER_US = 15 * MINUTE_US
#: Years outside which an offset is not looked up, since the standard library's dates end there.
_FIRST = int(datetime(2, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
_LAST = int(datetime(9998, 12, 31, tzinfo=UTC).timestamp()) * 1_000_000


def local_us(at_us: Ints, zone: str) -> Ints:
    """Return the wall clock of an IANA zone at instants in microseconds since 1970 UTC, as if it were UTC; shape (n,).

    Raises zoneinfo.ZoneInfoNotFoundError where there is no such zone.
    """
    quarters, which = np.unique(at_us // _QUARTER_US, return_inverse=True)
    offsets = np.array([_offset_us(zone, quarter) for quarter in quarters.tolist()], dtype=np.int64)
    return np.asarray(at_us + offsets[which]) if len(at_us) else at_us


def local_by_site(at_us: Ints, sites: Sequence[str | None], zones: Mapping[str, str]) -> Ints:
    """Return the same for rows of many sites, by each site's zone; UTC where a row has no site or a site no zone."""
    found = at_us.copy()
    which: dict[str, list[int]] = {}
    for row, site in enumerate(sites):
        if site is not None and site in zones:
            which.setdefault(zones[site], []).append(row)
    for zone, rows in which.items():
        found[rows] = local_us(at_us[rows], zone)
    return found


@cache
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def _offset_us(zone: str, quarter: int) -> int:
    at_us = quarter * _QUARTER_US
    if not _FIRST <= at_us <= _LAST:
        return 0
    offset = datetime.fromtimestamp(at_us // 1_000_000, _zone(zone)).utcoffset()
    return 0 if offset is None else int(offset.total_seconds() * 1_000_000)
