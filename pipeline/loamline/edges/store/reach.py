"""How far one sample's influence goes, under the widest limits that any registry state of a store ever held.

Readings keep the state that they came under, so that a window must reach as far as the widest of all states, not as
far as the one in force.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from loamline.core.columns import HOUR_US, MINUTE_US
from loamline.core.identity import LINK_US
from loamline.edges.store.connection import Store
from loamline_codecs import CodecSet
from loamline_schemas.limits import Limits

#: How far before a sample its checks look: so many hours each, and a gap more (stuck and fall ask whether the record
#: reaches back over the whole of their windows).
LOOKS_BACK = (
    "stuck_suspect_hours",
    "stuck_fail_hours",
    "supply_window_hours",
    "contact_window_hours",
    "fall_memory_hours",
)
#: How far behind it. Neighbours stand within the largest gap.
LOOKS_AHEAD = ("contact_window_hours", "fall_return_hours")


@dataclass(frozen=True)
class Reach:
    """Spans in microseconds.

    `back`, `ahead`: how far before and after a sample other samples decide its verdicts. `age`: how much older than its
    uplink a sample can be. `loose`: how far from where a log is cut off what it says may be otherwise, since deliveries
    that make one uplink, and samples that are one, were cut from each other.
    """

    back: int
    ahead: int
    age: int
    loose: int

    @classmethod
    def of(cls, limits: Iterable[Limits], longest_age_minutes: int, longest_interval_minutes: float) -> Reach:
        """Return the reach under the widest of `limits`, and the longest backfill and interval of the codecs."""
        told = list(limits) or [Limits()]
        gap = max(limit.largest_gap_minutes for limit in told)
        back, ahead = (
            int(max(getattr(limit, name) for limit in told for name in names) * HOUR_US + gap * MINUTE_US)
            for names in (LOOKS_BACK, LOOKS_AHEAD)
        )
        interval = max(longest_interval_minutes, *(limit.interval_minutes for limit in told))
        return cls(back, ahead, longest_age_minutes * MINUTE_US, LINK_US + int(interval * MINUTE_US / 4))


def reach_of(store: Store, codecs: CodecSet) -> Reach:
    """Return the reach under every layer of limits that a registry state of the store ever held."""
    usual = {name: value for name, value in Limits() if not isinstance(value, tuple)}
    greatest = ", ".join(f"max(TRY_CAST(definition->>'$.{name}' AS DOUBLE))" for name in usual)
    (found,) = store.con.execute(f"SELECT {greatest} FROM limits").fetchall()  # noqa: S608 - our own names
    widest: dict[str, Any] = {
        name: max(value, told) if told is not None else value
        for (name, value), told in zip(usual.items(), found, strict=True)
    }
    # No set of limits that anybody wrote: each threshold the greatest of all, so that none is left to compare.
    return Reach.of([Limits.model_construct(**widest)], codecs.longest_age_minutes, codecs.longest_interval_minutes)
