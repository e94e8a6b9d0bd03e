"""Wall-clock time of a place, for people who read by the clock on the wall: an IANA zone's offset added to UTC.

Offsets come from the time zone database by way of the standard library; they change at whole quarters of an hour UTC.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from loamline.core.columns import DAY_US, MINUTE_US, Ints, ints

_QUARTER_US = 15 * MINUTE_US
#: Years outside which an offset is not looked up, since the standard library's dates end there.
_FIRST = int(datetime(2, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
_LAST = int(datetime(9998, 12, 31, tzinfo=UTC).timestamp()) * 1_000_000


def local_us(at_us: Ints, zone: str) -> Ints:
    """Return the wall clock of an IANA zone at instants in microseconds since 1970 UTC, as if it were UTC; shape (n,).

    Raises zoneinfo.ZoneInfoNotFoundError where there is no such zone.
    """
    # No zone of the database changes its clock twice in a day of UTC: most days have one offset from end to end.
    days, day = np.unique(at_us // DAY_US, return_inverse=True)
    at_first, at_last = _offsets(zone, days * DAY_US), _offsets(zone, (days + 1) * DAY_US)
    offset = at_first[day]
    changing = np.flatnonzero((at_first != at_last)[day])
    quarters, quarter = np.unique(at_us[changing] // _QUARTER_US, return_inverse=True)
    offset[changing] = _offsets(zone, quarters * _QUARTER_US)[quarter]
    return np.asarray(at_us + offset)


def local_by_site(at_us: Ints, sites: pa.Array, zones: Mapping[str, str]) -> Ints:
    """Return the same for rows of many sites, by each site's zone; UTC where a row has no site or a site no zone.

    `sites` are texts, shape (n,).
    """
    found = at_us.copy()
    told = sites.dictionary_encode()
    site_of = ints(told.indices)
    for number, site in enumerate(told.dictionary.to_pylist()):
        if site in zones:
            rows = np.flatnonzero(site_of == number)
            found[rows] = local_us(at_us[rows], zones[site])
    return found


@cache
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def _offsets(zone: str, at_us: Ints) -> Ints:
    return np.array([_offset_us(zone, at) for at in at_us.tolist()], dtype=np.int64)


def _offset_us(zone: str, at_us: int) -> int:
    if not _FIRST <= at_us <= _LAST:
        return 0
    offset = datetime.fromtimestamp(at_us // 1_000_000, _zone(zone)).utcoffset()
    return 0 if offset is None else int(offset.total_seconds() * 1_000_000)
