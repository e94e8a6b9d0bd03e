"""The water of each site by the hour: storage beside what the same soil can hold and what crops can draw of it.

Means over the profiles that have a storage that hour, so that the figures of a row belong together:
`depletion_mm` = `field_capacity_mm` - `storage_mm` (Dr of FAO-56, Eq. 87), to be held against `readily_available_mm`
(RAW, Eq. 83), beyond which a crop is short of water. Below 0 there is more than the soil keeps from draining.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from loamline.core.columns import Floats, Ints
from loamline.core.soil.profile import Profile, ProfileStorage, ProfileWater, profile_water, site_storage


@dataclass(frozen=True)
class SiteHours:
    """One row a site and hour, in order of hour, then site; every column has shape (s,).

    `site`: the caller's code. `hour` counts hours since 1970-01-01T00Z. `root_depth_m` in m, `*_mm` in mm from the
    surface to the root depth, NaN where no probe has a storage. `probes` tells over how many the means are taken,
    `silent_probes` how many more sent readings that hour but have no storage.
    """

    site: Ints
    hour: Ints
    root_depth_m: Floats
    storage_mm: Floats
    wilting_point_mm: Floats
    field_capacity_mm: Floats
    depletion_mm: Floats
    total_available_mm: Floats
    readily_available_mm: Floats
    probes: Ints
    silent_probes: Ints


class HeldWater:
    """What the soil of each profile holds, computed once for all hours."""

    def __init__(self, profiles: Sequence[Profile]) -> None:
        self._profiles = profiles
        waters = [profile_water(profile) for profile in profiles]
        names = [field.name for field in fields(ProfileWater)]
        self._columns = {name: np.array([getattr(water, name) for water in waters]) for name in names}
        self._columns["root_depth_m"] = np.array([profile.root_depth_m for profile in profiles])

    def site_hours(self, by_profile: ProfileStorage) -> SiteHours:
        """Return the rows of what `profile_storage` made of readings of these profiles; see the module's text."""
        told = site_storage(self._profiles, by_profile)
        held = {name: self._mean(column, by_profile) for name, column in self._columns.items()}
        order = np.lexsort((told.site, told.hour))
        return SiteHours(
            site=told.site[order],
            hour=told.hour[order],
            # Equal depths have no mean of their own in the last binary digit.
            root_depth_m=np.round(held["root_depth_m"][order], 9),
            storage_mm=told.storage_mm[order],
            wilting_point_mm=held["wilting_point_mm"][order],
            field_capacity_mm=held["field_capacity_mm"][order],
            depletion_mm=(held["field_capacity_mm"] - told.storage_mm)[order],
            total_available_mm=held["total_available_mm"][order],
            readily_available_mm=held["readily_available_mm"][order],
            probes=told.profiles[order],
            silent_probes=told.silent[order],
        )

    def _mean(self, column: Floats, by_profile: ProfileStorage) -> Floats:
        """Return a figure's mean over the profiles that have a storage, by site and hour as `site_storage` orders."""
        figures = column[by_profile.profile] if len(column) else np.zeros(len(by_profile.profile))
        known = np.where(np.isnan(by_profile.storage_mm), np.nan, figures)
        return site_storage(self._profiles, replace(by_profile, storage_mm=known)).storage_mm
