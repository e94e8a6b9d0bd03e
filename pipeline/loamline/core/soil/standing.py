"""How the soil stands at each reading: plant-available fraction and zone, by what the registry says of the place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from loamline.core.columns import Floats, Ints
from loamline.core.soil.available import NO_ZONE, Bounds, plant_available_fraction, zone_bounds, zones
from loamline.core.soil.crops import root_zone_of
from loamline.core.soil.water import SoilWater, soil_water_of
from loamline_schemas.registry import CropRow, PlacementRow, SoilRow


@dataclass(frozen=True)
class Standing:
    """Columns of shape (m,), NaN where the reading has no water content or no placement; `zone` is a `Zone` or NaN."""

    plant_available_fraction: Floats
    zone: Floats


@dataclass(frozen=True)
class Place:
    """What decides the zone of readings at one placement, in one soil layer, under one crop."""

    water: SoilWater
    depletion_fraction: float
    own_deficit_below: float
    own_excess_above: float

    @staticmethod
    def of(placement: PlacementRow, layer: SoilRow | None, crop: CropRow | None) -> Place:
        """Return what the registry's rows say; ValueError where they contradict, which loading refuses."""
        return _place(placement.texture, placement.deficit_below, placement.excess_above, layer, crop)

    @property
    def bounds(self) -> Bounds:
        """Between which water contents the place is adequate."""
        return zone_bounds(
            self.water.wilting_point,
            self.water.field_capacity,
            self.depletion_fraction,
            self.own_deficit_below,
            self.own_excess_above,
        )


@lru_cache(maxsize=4096)
def _place(
    texture: str, deficit_below: float | None, excess_above: float | None, layer: SoilRow | None, crop: CropRow | None
) -> Place:
    # Many placements have the same soil, and a replay asks for each of them again and again.
    return Place(
        soil_water_of(layer, texture),
        root_zone_of(crop).depletion_fraction,
        np.nan if deficit_below is None else deficit_below,
        np.nan if excess_above is None else excess_above,
    )


def standing(
    vwc_m3_m3: Floats,
    which: Ints,
    placement: Ints,
    layer: Ints,
    crop: Ints,
    placements: Sequence[PlacementRow],
    layers: Sequence[SoilRow],
    crops: Sequence[CropRow],
) -> Standing:
    """Return how the soil stands at m readings, of which each names in `which` one of c settings, both shape (m,).

    `placement`, `layer` and `crop` are the settings, shape (c,): indices into the rows, -1 for none.
    """
    figures = np.full((len(placement), 5), np.nan)
    for number, (place, own_layer, own_crop) in enumerate(
        zip(placement.tolist(), layer.tolist(), crop.tolist(), strict=True)
    ):
        if place >= 0:
            told_layer = layers[own_layer] if own_layer >= 0 else None
            told = Place.of(placements[place], told_layer, crops[own_crop] if own_crop >= 0 else None)
            figures[number, :2] = told.water.figures[:2]
            figures[number, 2:] = told.depletion_fraction, told.own_deficit_below, told.own_excess_above
    wilting_point, field_capacity = (np.ascontiguousarray(figures[:, column]) for column in range(2))
    bounds = zone_bounds(wilting_point, field_capacity, *figures[:, 2:].T)
    here = Bounds(bounds.deficit_below.take(which), bounds.excess_above.take(which))
    zone = zones(vwc_m3_m3, here).astype(np.float64)
    zone[zone == NO_ZONE] = np.nan
    share = plant_available_fraction(vwc_m3_m3, wilting_point.take(which), field_capacity.take(which))
    return Standing(share, zone)
