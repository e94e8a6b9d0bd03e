"""How the soil stands at one reading: what its layer holds, how dry its crop draws, and so fraction and zone."""

from __future__ import annotations

import math
from typing import NamedTuple

from loamline.core.soil.crop_table import TABLE_22
from loamline.core.soil.crops import crop_named
from loamline.core.soil.saxton_rawls import CLASS_TABLE
from loamline.core.soil.texture import texture_of
from loamline_schemas.registry import CropRow, PlacementRow, SoilRow
from loamline_schemas.verdicts import Zone
from tests.bench.plain.registry import Found
from tests.bench.plain.sample import Sample


class Bounds(NamedTuple):
    """What decides the zone at one place, m3/m3."""

    wilting_point: float
    field_capacity: float
    deficit_below: float
    excess_above: float


class Standing:
    """Places, worked out when first met."""

    def __init__(self) -> None:
        self._places: dict[tuple[str | None, ...], Bounds] = {}

    def stand(self, sample: Sample) -> None:
        """Fill in plant-available fraction and zone."""
        vwc = sample.vwc_m3_m3
        if sample.found.placement is None or math.isnan(vwc):
            return
        wilting_point, field_capacity, low, high = self._place(sample.found)
        sample.plant_available_fraction = (vwc - wilting_point) / (field_capacity - wilting_point)
        sample.zone = Zone.DEFICIT if vwc < low else Zone.EXCESS if vwc > high else Zone.ADEQUATE

    def _place(self, found: Found) -> Bounds:
        rows = (found.placement, found.layer, found.crop)
        key = tuple(None if held is None else held.digest for held in rows)
        if key not in self._places:
            self._places[key] = _bounds(*(None if held is None else held.row for held in rows))
        return self._places[key]


def _bounds(placement: PlacementRow, layer: SoilRow | None, crop: CropRow | None) -> Bounds:
    wilting_point, field_capacity = _water(placement, layer)
    by_crop = field_capacity - _depletion_fraction(crop) * (field_capacity - wilting_point)
    own_low, own_high = placement.deficit_below, placement.excess_above
    # A threshold of the placement's own moves the other's default out of its way.
    low = own_low if own_low is not None else by_crop if own_high is None else min(by_crop, own_high)
    high = own_high if own_high is not None else field_capacity if own_low is None else max(field_capacity, own_low)
    return Bounds(wilting_point, field_capacity, low, high)


def _water(placement: PlacementRow, layer: SoilRow | None) -> tuple[float, float]:
    """Return wilting point and field capacity: measured, else by the equations, else by the class."""
    if layer is None:
        return CLASS_TABLE[placement.texture][:2]
    if layer.wilting_point is not None and layer.field_capacity is not None and layer.saturation is not None:
        return layer.wilting_point, layer.field_capacity
    computed = None
    texture = layer.texture or placement.texture
    if layer.sand_percent is not None and layer.clay_percent is not None:
        organic = 2.5 if layer.organic_matter_percent is None else layer.organic_matter_percent
        computed = _saxton_rawls(layer.sand_percent, layer.clay_percent, organic)
        texture = layer.texture or texture_of(layer.sand_percent, layer.clay_percent)
    wilting_point, field_capacity = computed or CLASS_TABLE[texture][:2]
    return (
        wilting_point if layer.wilting_point is None else layer.wilting_point,
        field_capacity if layer.field_capacity is None else layer.field_capacity,
    )


def _saxton_rawls(sand_percent: float, clay_percent: float, om: float) -> tuple[float, float] | None:
    """Return wilting point and field capacity by Saxton & Rawls 2006, Table 1; None beyond what it holds for."""
    s, c = sand_percent / 100, clay_percent / 100
    t = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om + 0.068 * s * c + 0.031
    wilting_point = t + (0.14 * t - 0.02)
    t = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om + 0.452 * s * c + 0.299
    field_capacity = t + (1.283 * t * t - 0.374 * t - 0.015)
    t = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
    saturation = field_capacity + (t + (0.636 * t - 0.107)) - 0.097 * s + 0.043
    if clay_percent > 60 or om > 8 or not 0 < wilting_point < field_capacity < saturation < 1:
        return None
    return wilting_point, field_capacity


def _depletion_fraction(crop: CropRow | None) -> float:
    """Return p: the row's own, else of FAO-56 Table 22; 0.5 without a crop."""
    if crop is None:
        return 0.5
    if crop.depletion_fraction is not None:
        return crop.depletion_fraction
    return float(TABLE_22[crop_named(crop.crop).name][2])
