"""What a recalculation changes: stored readings against recomputed ones, summed up by site, depth and texture.

Readings come in chunks of any size and order; memory grows with the places and with the different shifts there are,
not with the readings.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loamline.core.columns import Bools, Floats, Ints

#: Shifts are counted in classes of this width, m3/m3: a percentile is told as the upper end of its class, so that it is
#: too large by at most this. A tenth of a thousandth is a hundredth of what a probe resolves; common practice.
CLASS_M3_M3 = 0.0001
#: Shifts are added as whole numbers of this unit, m3/m3, so that no order and no cut into chunks changes the sum.
_UNIT_M3_M3 = 2.0**-32
#: Stands for a verdict or a zone that there is none of.
NONE = -1


@dataclass(frozen=True)
class Place:
    """What readings are summed up by; None where a reading had no placement, before or after."""

    site: str | None
    depth_cm: float | None
    texture: str | None


@dataclass(frozen=True)
class Pairs:
    """Changed readings, before and after; columns of shape (m,).

    `place`: a row of `places`. Instants are microseconds since 1970. `vwc_*` in m3/m3, NaN for none; `verdict_*` are
    QARTOD flags and `zone_*` numbers of Zone, NONE for none. A reading that comes or goes has one side of nothing.
    """

    places: Sequence[Place]
    place: Ints
    measured_at_us: Ints
    vwc_before: Floats
    vwc_after: Floats
    verdict_before: Ints
    verdict_after: Ints
    zone_before: Ints
    zone_after: Ints


@dataclass
class PlaceChange:
    """What changes at one place.

    `rows`: readings that differ in any column. Of them `shifted` have another water content than before, `gained` have
    one where there was none, `lost` the other way round. `units` adds the shifts, after less before, in 2**-32 m3/m3,
    and `classes` counts them by their absolute size in units of CLASS_M3_M3, rounded up. `verdicts` and `zones` count
    by (from, to).
    """

    place: Place
    rows: int = 0
    shifted: int = 0
    gained: int = 0
    lost: int = 0
    units: int = 0
    largest_m3_m3: float = 0.0
    classes: Counter[int] = field(default_factory=Counter)
    verdicts: Counter[tuple[int, int]] = field(default_factory=Counter)
    zones: Counter[tuple[int, int]] = field(default_factory=Counter)
    first_us: int | None = None
    last_us: int | None = None

    @property
    def sum_m3_m3(self) -> float:
        """The sum of the shifts, after less before."""
        return self.units * _UNIT_M3_M3

    @property
    def mean_m3_m3(self) -> float | None:
        """The mean shift of those shifted, after less before; None where none is."""
        return self.sum_m3_m3 / self.shifted if self.shifted else None

    def percentile_m3_m3(self, percent: float = 95.0) -> float | None:
        """Return the absolute shift that so many percent of the shifted do not exceed, to CLASS_M3_M3; None for none.

        The nearest-rank percentile: the smallest class with at least so many at or under it.
        """
        needed = self.shifted * percent / 100
        seen = 0
        for number in sorted(self.classes):
            seen += self.classes[number]
            if seen >= needed:
                return min(round(number * CLASS_M3_M3, 6), self.largest_m3_m3)
        return None

    def add(self, chunk: Pairs, rows: Ints) -> None:
        """Count the `rows` of a chunk."""
        at = chunk.measured_at_us[rows]
        self.rows += len(rows)
        self.first_us = int(at.min()) if self.first_us is None else min(self.first_us, int(at.min()))
        self.last_us = int(at.max()) if self.last_us is None else max(self.last_us, int(at.max()))
        before, after = chunk.vwc_before[rows], chunk.vwc_after[rows]
        self.gained += int((np.isnan(before) & ~np.isnan(after)).sum())
        self.lost += int((~np.isnan(before) & np.isnan(after)).sum())
        shift = after - before
        shift = shift[~np.isnan(shift) & (shift != 0.0)]
        if len(shift):
            size = np.abs(shift)
            self.shifted += len(shift)
            self.units += int(np.rint(shift / _UNIT_M3_M3).astype(np.int64).sum())
            self.largest_m3_m3 = max(self.largest_m3_m3, float(size.max()))
            number, count = np.unique(np.ceil(size / CLASS_M3_M3).astype(np.int64), return_counts=True)
            self.classes.update(dict(zip(number.tolist(), count.tolist(), strict=True)))
        self.verdicts.update(_flips(chunk.verdict_before[rows], chunk.verdict_after[rows]))
        self.zones.update(_flips(chunk.zone_before[rows], chunk.zone_after[rows]))


class ChangeReport:
    """The sum over all chunks so far."""

    def __init__(self) -> None:
        self.places: dict[Place, PlaceChange] = {}

    @property
    def changed(self) -> int:
        """Readings that differ in any column, come or go."""
        return sum(place.rows for place in self.places.values())

    def add(self, chunk: Pairs) -> None:
        """Count a chunk of changed readings."""
        if not len(chunk.place):
            return
        order = np.argsort(chunk.place, kind="stable")
        numbers, starts = np.unique(chunk.place[order], return_index=True)
        for number, rows in zip(numbers.tolist(), np.split(order, starts[1:]), strict=True):
            place = chunk.places[number]
            self.places.setdefault(place, PlaceChange(place)).add(chunk, rows)

    def in_order(self) -> list[PlaceChange]:
        """Return the places by site, depth and texture; those without a placement last."""
        return sorted(self.places.values(), key=lambda change: _sort_key(change.place))


def _flips(before: Ints, after: Ints) -> dict[tuple[int, int], int]:
    flipped: Bools = before != after
    pairs, counts = np.unique(np.stack([before[flipped], after[flipped]]), axis=1, return_counts=True)
    return {(int(pair[0]), int(pair[1])): int(count) for pair, count in zip(pairs.T, counts, strict=True)}


def _sort_key(place: Place) -> tuple[Any, ...]:
    return place.site is None, place.site or "", place.depth_cm or 0.0, place.texture or ""
