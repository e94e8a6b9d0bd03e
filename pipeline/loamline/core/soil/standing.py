"""How the soil stands at each reading: plant-available fraction and zone, by what the registry says of the place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loamline.core.columns import Floats, Ints, distinct
from loamline.core.soil.available import NO_ZONE, Bounds, plant_available_fraction, zone_bounds, zones
from loamline.core.soil.crops import root_zone_of
from loamline.core.soil.water import SoilWater, soil_water_of, water_columns
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

    @classmethod
    def of(cls, placement: PlacementRow, layer: SoilRow | None, crop: CropRow | None) -> Place:
        """Return what the registry's rows say; ValueError where they contradict, which loading refuses."""
        return cls(
            soil_water_of(layer, placement.texture),
            root_zone_of(crop).depletion_fraction,
            np.nan if placement.deficit_below is None else placement.deficit_below,
            np.nan if placement.excess_above is None else placement.excess_above,
        )

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


def standing(
    vwc_m3_m3: Floats,
    placement: Ints,
    layer: Ints,
    crop: Ints,
    placements: Sequence[PlacementRow],
    layers: Sequence[SoilRow],
    crops: Sequence[CropRow],
) -> Standing:
    """Return how the soil stands at m readings; `placement`, `layer` and `crop` index the rows, -1 for none."""
    first, which = distinct(placement, layer, crop)
    places: list[Place] = []
    numbers = []
    for place, own_layer, own_crop in zip(
        placement[first].tolist(), layer[first].tolist(), crop[first].tolist(), strict=True
    ):
        numbers.append(len(places) if place >= 0 else -1)
        if place >= 0:
            told_layer = layers[own_layer] if own_layer >= 0 else None
            places.append(Place.of(placements[place], told_layer, crops[own_crop] if own_crop >= 0 else None))
    place_of = np.array(numbers, dtype=np.int64)[which]
    wilting_point, field_capacity, _ = water_columns([place.water for place in places], place_of)
    told = np.array([[p.depletion_fraction, p.own_deficit_below, p.own_excess_above] for p in places] + [[np.nan] * 3])[
        place_of
    ]
    zone = zones(vwc_m3_m3, zone_bounds(wilting_point, field_capacity, *told.T)).astype(np.float64)
    zone[zone == NO_ZONE] = np.nan
    return Standing(plant_available_fraction(vwc_m3_m3, wilting_point, field_capacity), zone)
