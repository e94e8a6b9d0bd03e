"""From a water content to what is left of it for plants: FAO-56 chapter 8, as column functions.

Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, chapter 8 (equations MEMORY). Water contents
in m3/m3. What they come to in mm down to the root depth, Eq. 82, 83 and 87, is in `profile.py` and `site_hours.py`.

      0   wilting point           fc - p (fc - wp)    field capacity        saturation
      |--------|------------------------|------------------|--------------------|
        none         drawn under stress    readily drawn        drains
      |------------ deficit ------------|---- adequate ----|------ excess ------|
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loamline.core.columns import Flags, Floats
from loamline_schemas.verdicts import Zone

#: The code of a reading that stands in no zone.
NO_ZONE = 0


@dataclass(frozen=True)
class Bounds:
    """Between which water contents a placement is adequate, m3/m3, shape (m,), NaN where unknown."""

    deficit_below: Floats
    excess_above: Floats


def plant_available_fraction(vwc_m3_m3: ArrayLike, wilting_point: ArrayLike, field_capacity: ArrayLike) -> Floats:
    """Return (vwc - wp) / (fc - wp), shape (m,): 0 at the wilting point, 1 at field capacity, beyond them unclipped.

    NaN where a figure is missing, or where field capacity isn't above the wilting point.
    """
    vwc, wp, fc = _floats(vwc_m3_m3, wilting_point, field_capacity)
    held = fc > wp
    return np.where(held, (vwc - wp) / np.where(held, fc - wp, 1.0), np.nan)


def zone_bounds(
    wilting_point: ArrayLike,
    field_capacity: ArrayLike,
    depletion_fraction: ArrayLike,
    own_deficit_below: ArrayLike = np.nan,
    own_excess_above: ArrayLike = np.nan,
) -> Bounds:
    """Return each sample's thresholds, shape (m,): the placement's own where told (not NaN), else by soil and crop.

    Without its own, deficit begins below fc - p (fc - wp), where readily available water ends, and excess above
    field capacity, from which water drains. A threshold of its own moves the other's default out of its way.
    """
    wp, fc, p, own_low, own_high = _floats(
        wilting_point, field_capacity, depletion_fraction, own_deficit_below, own_excess_above
    )
    by_crop = fc - p * (fc - wp)
    low = np.where(np.isnan(own_low), np.where(by_crop > own_high, own_high, by_crop), own_low)
    high = np.where(np.isnan(own_high), np.where(fc < own_low, own_low, fc), own_high)
    return Bounds(low, high)


def zones(vwc_m3_m3: ArrayLike, bounds: Bounds) -> Flags:
    """Return each sample's `Zone` as a number, shape (m,); both bounds themselves are adequate.

    NO_ZONE where the water content or a bound is missing.
    """
    vwc, low, high = _floats(vwc_m3_m3, bounds.deficit_below, bounds.excess_above)
    zone = np.full(vwc.shape, Zone.ADEQUATE, dtype=np.uint8)
    zone[vwc > high] = Zone.EXCESS
    zone[vwc < low] = Zone.DEFICIT
    zone[np.isnan(vwc) | np.isnan(low) | np.isnan(high)] = NO_ZONE
    return zone


def _floats(*given: ArrayLike) -> tuple[Floats, ...]:
    return tuple(np.broadcast_arrays(*(np.atleast_1d(np.asarray(column, dtype=np.float64)) for column in given)))
