r"""Profile storage: the water from the surface to the root depth, in mm, out of readings at several depths.

Between two depths the water content runs straight; above the shallowest it is that one's, below the deepest, down to
the root depth Zr, that one's; what a sensor below Zr says counts as far as the line reaches up to Zr.

      vwc
    0 +--+-----------> m3/m3        storage_mm = integral of vwc(z) dz, z from 0 to Zr in mm
      |  |                                     = sum over depths i of w_i vwc_i
      |  o  z1
      |   \                         w_i is the same integral of the tent that is 1 at z_i and 0 at
      |    \                        the other depths (of the first and last: 1 beyond), so that the
      |     o  z2                   weights add up to Zr in mm. With z1 < z2 < z3 < Zr, in mm:
      |    /
      |   /                         w_1 = z1 + (z2 - z1)/2
      |  o  z3                      w_2 = (z3 - z1)/2
      |  |                          w_3 = (z3 - z2)/2 + (Zr - z3)
    Zr+--+
      z, depth

Readings of a depth within an hour are averaged first, of those whose verdict counts. A depth that has none in an hour
leaves the storage of that hour unknown: nothing is invented, unless the caller asks for the depths that are there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import Bools, Floats, Ints, group_starts
from loamline.core.soil.water import SoilWater

MM_PER_CM = 10.0


@dataclass(frozen=True)
class Layer:
    """What water the soil holds from one depth to another, cm below the surface."""

    top_cm: float
    bottom_cm: float
    water: SoilWater


@dataclass(frozen=True)
class Profile:
    """One probe at one site while its depths, layers and crop stay the same.

    `depths_cm`: where it measures, rising. `layers`: contiguous, from 0 to at least the root depth. `site` and
    `probe`: the caller's codes.
    """

    site: int
    probe: int
    depths_cm: tuple[float, ...]
    root_depth_m: float
    depletion_fraction: float
    layers: tuple[Layer, ...]

    def __post_init__(self) -> None:
        edges = [0.0, *(layer.bottom_cm for layer in self.layers)]
        tops = [layer.top_cm for layer in self.layers]
        if not self.depths_cm or any(
            low >= high for low, high in zip(self.depths_cm, self.depths_cm[1:], strict=False)
        ):
            raise ValueError(f"expected one or more rising depths_cm, got {self.depths_cm}")
        if self.root_depth_m <= 0:
            raise ValueError(f"expected root_depth_m above 0, got {self.root_depth_m:g}")
        if tops != edges[:-1] or edges[-1] < self.root_depth_cm:
            spans = ", ".join(f"{layer.top_cm:g} to {layer.bottom_cm:g}" for layer in self.layers)
            raise ValueError(f"expected layers without gaps from 0 to {self.root_depth_cm:g} cm, got {spans or 'none'}")

    @property
    def root_depth_cm(self) -> float:
        """The root depth in cm, rounded to a ten-millionth against binary fractions."""
        return round(self.root_depth_m * 100, 7)


@dataclass(frozen=True)
class ProfileWater:
    """Water of a profile's soil down to the root depth, mm: at its thresholds, TAW and RAW (FAO-56 Eq. 82, 83)."""

    wilting_point_mm: float
    field_capacity_mm: float
    total_available_mm: float
    readily_available_mm: float


@dataclass(frozen=True)
class ProfileStorage:
    """Storage of each profile and hour that has readings, in their order; every column has shape (g,).

    `hour` counts hours since 1970-01-01T00Z. `storage_mm` is NaN where a depth is missing. `depths` tells how
    many depths have a reading that counts.
    """

    profile: Ints
    hour: Ints
    storage_mm: Floats
    depths: Ints


@dataclass(frozen=True)
class SiteStorage:
    """Mean storage of each site and hour, in their order; every column has shape (s,).

    `profiles` tells over how many profiles the mean is taken, `silent` how many more sent readings that hour
    but have no storage; `storage_mm` is NaN where `profiles` is 0.
    """

    site: Ints
    hour: Ints
    storage_mm: Floats
    profiles: Ints
    silent: Ints


def storage_weights_mm(depths_cm: Sequence[float], root_depth_cm: float) -> Floats:
    """Return how many mm each depth's water content stands for, shape (d,); they add up to the root depth in mm."""
    depths = np.asarray(depths_cm, dtype=np.float64)
    inner = depths[(depths > 0) & (depths < root_depth_cm)]
    knots = np.concatenate([[0.0], inner, [root_depth_cm]])
    # np.interp stays constant beyond the end points, as the tents do; straight pieces make trapezoids exact.
    tents = (np.interp(knots, depths, tent) for tent in np.eye(len(depths)))
    return np.array([float(np.trapezoid(tent, knots)) for tent in tents]) * MM_PER_CM


def profile_water(profile: Profile) -> ProfileWater:
    """Return the profile's water at its thresholds, each layer's share down to the root depth with its own figures."""
    low = middle = 0.0
    for layer in profile.layers:
        thickness_mm = max(0.0, min(layer.bottom_cm, profile.root_depth_cm) - layer.top_cm) * MM_PER_CM
        low += thickness_mm * layer.water.wilting_point
        middle += thickness_mm * layer.water.field_capacity
    total = middle - low
    return ProfileWater(low, middle, total, profile.depletion_fraction * total)


def profile_storage(
    profiles: Sequence[Profile],
    profile: Ints,
    depth_cm: Floats,
    hour: Ints,
    vwc_m3_m3: Floats,
    counts: Bools,
    *,
    without_missing_depths: bool = False,
) -> ProfileStorage:
    """Return storage by profile and hour from m readings in any order; every column has shape (m,).

    `profile` indexes `profiles`; readings at -1 are left aside. `counts` tells whose verdict counts; a reading
    without water content never does. `without_missing_depths` draws the line through the depths that are there.
    ValueError where a reading's depth isn't one of its profile's.
    """
    rows = np.flatnonzero(profile >= 0)
    which, at = profile[rows], hour[rows]
    number = _depth_numbers(profiles, which, depth_cm[rows])
    vwc = vwc_m3_m3[rows]
    counted = counts[rows] & ~np.isnan(vwc)
    # Among equals the water content decides, so that a sum doesn't depend on the order of arrival.
    order = np.lexsort((np.where(counted, vwc, np.inf), number, at, which))
    which, at, number, vwc, counted = which[order], at[order], number[order], vwc[order], counted[order]
    group = np.cumsum(group_starts(which, at)) - 1
    firsts = np.flatnonzero(group_starts(which, at))

    cells = np.flatnonzero(counted)
    means = np.full((len(firsts), max((len(p.depths_cm) for p in profiles), default=0)), np.nan)
    if len(cells):
        begins = np.flatnonzero(group_starts(group[cells], number[cells]))
        lengths = np.diff(np.append(begins, len(cells)))
        sums = np.add.reduceat(vwc[cells], begins)
        means[group[cells][begins], number[cells][begins]] = sums / lengths
    present = ~np.isnan(means)

    owner, depths = which[firsts], present.sum(axis=1).astype(np.int64)
    storage = np.full(len(firsts), np.nan)
    known = np.array([len(profile.depths_cm) for profile in profiles], dtype=np.int64)
    wanted = depths > 0 if without_missing_depths else depths == known[owner]
    groups = np.flatnonzero(wanted)
    # Profiles of the same depths and root depth, with the same of them there, share their weights.
    shapes: dict[tuple[tuple[float, ...], float], int] = {}
    shape = np.array([shapes.setdefault((p.depths_cm, p.root_depth_cm), len(shapes)) for p in profiles], np.int64)
    of_shape = [*shapes]
    for index, mask, some in _alike(shape[owner[groups]], present[groups]):
        all_depths, root_depth_cm = of_shape[index]
        there = np.flatnonzero(mask)
        total = np.zeros(len(some))
        weights = storage_weights_mm([all_depths[depth] for depth in there], root_depth_cm)
        for weight, depth in zip(weights, there, strict=True):
            total += weight * means[groups[some], depth]
        storage[groups[some]] = total
    return ProfileStorage(owner, at[firsts], storage, depths)


def site_storage(profiles: Sequence[Profile], by_profile: ProfileStorage) -> SiteStorage:
    """Return the mean storage by site and hour over the profiles that have one that hour."""
    sites = np.array([profile.site for profile in profiles], dtype=np.int64)
    site = sites[by_profile.profile] if len(sites) else by_profile.profile
    order = np.lexsort((by_profile.profile, by_profile.hour, site))
    site, hour, storage = site[order], by_profile.hour[order], by_profile.storage_mm[order]
    begins = np.flatnonzero(group_starts(site, hour))
    if not len(begins):
        none = np.zeros(0, dtype=np.int64)
        return SiteStorage(none, none, np.zeros(0), none, none)
    has = ~np.isnan(storage)
    profiles_with = np.add.reduceat(has.astype(np.int64), begins)
    members = np.diff(np.append(begins, len(site)))
    sums = np.add.reduceat(np.where(has, storage, 0.0), begins)
    mean = np.where(profiles_with > 0, sums / np.maximum(profiles_with, 1), np.nan)
    return SiteStorage(site[begins], hour[begins], mean, profiles_with, members - profiles_with)


def _alike(shape: Ints, present: Bools) -> Iterator[tuple[int, Bools, Ints]]:
    """Yield each shape and each set of depths that are there, shape (d,), and which of g groups have both."""
    order = np.lexsort((*present.T, shape))
    begins = np.flatnonzero(group_starts(shape[order], *(column[order] for column in present.T)))
    for some in np.split(order, begins[1:]) if len(order) else []:
        yield int(shape[some[0]]), present[some[0]], some


def _depth_numbers(profiles: Sequence[Profile], which: Ints, depth_cm: Floats) -> Ints:
    """Return which of its profile's depths each reading is at, shape (m,)."""
    number = np.full(len(which), -1, dtype=np.int64)
    for depth in range(max((len(profile.depths_cm) for profile in profiles), default=0)):
        at = np.array([p.depths_cm[depth] if depth < len(p.depths_cm) else np.nan for p in profiles])
        number[at[which] == depth_cm] = depth
    strange = np.flatnonzero(number < 0)
    if len(strange):
        index, got = int(which[strange[0]]), depth_cm[strange[0]]
        told = ", ".join(f"{depth:g}" for depth in profiles[index].depths_cm)
        raise ValueError(f"expected a depth of profile {index} ({told} cm), got a reading at {got:g} cm")
    return number
