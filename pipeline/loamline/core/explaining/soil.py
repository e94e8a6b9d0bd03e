"""What an explanation says of the soil around a reading: what water it holds, what is left for plants, and the zone."""

from __future__ import annotations

import numpy as np

from loamline.core.explaining.words import Fields, number, signed
from loamline.core.soil.available import plant_available_fraction, zones
from loamline.core.soil.crops import root_zone_of
from loamline.core.soil.standing import Place
from loamline.core.soil.water import SoilWater, soil_water_of
from loamline_schemas.digest import content_digest
from loamline_schemas.registry import CropRow, PlacementRow, SoilRow
from loamline_schemas.verdicts import Zone

_SOURCE = "Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, chapter 8"


def standing_told(
    placement: PlacementRow | None, layer: SoilRow | None, crop: CropRow | None, vwc_m3_m3: float | None
) -> Fields:
    """Return soil water, root zone, plant-available fraction and zone of one reading; None where it is not placed."""
    if placement is None:
        return {"soil_water": None, "root_zone": None, "plant_available": None, "zone": None}
    water = soil_water_of(layer, placement.texture)
    return {
        "soil_water": _water_told(placement, layer, water),
        "root_zone": _root_zone_told(crop),
        "plant_available": _available_told(water, vwc_m3_m3),
        "zone": _zone_told(placement, Place.of(placement, layer, crop), vwc_m3_m3),
    }


def _water_told(placement: PlacementRow, layer: SoilRow | None, water: SoilWater) -> Fields:
    names = ("wilting_point", "field_capacity", "saturation")
    return {
        "layer": None if layer is None else {**layer.model_dump(), "digest": content_digest(layer)},
        "texture": placement.texture,
        **{f"{name}_m3_m3": figure for name, figure in zip(names, water.figures, strict=True)},
        **{f"{name}_origin": origin for name, origin in zip(names, water.origins, strict=True)},
        "sentence": (
            f"no layer of soils.csv holds {number(placement.depth_cm)} cm then, so the placement's texture does: "
            f"{placement.texture}"
            if layer is None
            else f"{number(placement.depth_cm)} cm lies in the layer of soils.csv from {number(layer.top_cm)} to "
            f"{number(layer.bottom_cm)} cm"
        ),
    }


def _root_zone_told(crop: CropRow | None) -> Fields:
    zone = root_zone_of(crop)
    return {
        "crop": None if crop is None else {**crop.model_dump(), "digest": content_digest(crop)},
        "depletion_fraction": zone.depletion_fraction,
        "depletion_fraction_origin": zone.depletion_fraction_origin,
        "root_depth_m": zone.root_depth_m,
        "root_depth_origin": zone.root_depth_origin,
    }


def _available_told(water: SoilWater, vwc: float | None) -> Fields:
    wp, fc = water.wilting_point, water.field_capacity
    told: Fields = {"formula": None, "result": None}
    if vwc is None:
        return {**told, "sentence": "no plant-available fraction: there is no water content"}
    (result,) = plant_available_fraction(vwc, wp, fc).tolist()
    return {
        "formula": (
            "plant_available_fraction = (vwc - wilting_point) / (field_capacity - wilting_point) = "
            f"({signed(vwc)} - {number(wp)}) / ({number(fc)} - {number(wp)})"
        ),
        "result": result,
        "sentence": "0 at the wilting point, 1 at field capacity; below and above them it goes on unclipped",
    }


def _zone_told(placement: PlacementRow, place: Place, vwc: float | None) -> Fields:
    bounds = place.bounds
    low, high = float(bounds.deficit_below[0]), float(bounds.excess_above[0])
    code = int(zones(np.nan if vwc is None else vwc, bounds)[0])
    zone = Zone(code).word if code else None
    return {
        "zone": zone,
        "deficit_below_m3_m3": low,
        "deficit_below_origin": _deficit_origin(placement, place),
        "excess_above_m3_m3": high,
        "excess_above_origin": _excess_origin(placement, place),
        "source": _SOURCE,
        "sentence": _zone_sentence(zone, vwc, low, high),
    }


def _deficit_origin(placement: PlacementRow, place: Place) -> str:
    if placement.deficit_below is not None:
        return "deficit_below of the placement"
    wp, fc, p = place.water.wilting_point, place.water.field_capacity, place.depletion_fraction
    by_crop = fc - p * (fc - wp)
    formula = (
        "field_capacity - p (field_capacity - wilting_point) = "
        f"{number(fc)} - {number(p)} * ({number(fc)} - {number(wp)}) = {number(by_crop)}"
    )
    if placement.excess_above is not None and by_crop > placement.excess_above:
        return f"excess_above of the placement, since {formula} lies above it"
    return f"{formula}, where readily available water ends"


def _excess_origin(placement: PlacementRow, place: Place) -> str:
    if placement.excess_above is not None:
        return "excess_above of the placement"
    fc = place.water.field_capacity
    if placement.deficit_below is not None and fc < placement.deficit_below:
        return f"deficit_below of the placement, since field_capacity {number(fc)} lies under it"
    return "field_capacity, above which water drains"


def _zone_sentence(zone: str | None, vwc: float | None, low: float, high: float) -> str:
    if zone is None:
        return "no zone: there is no water content"
    told = {
        Zone.DEFICIT.word: f"below {number(low)}",
        Zone.ADEQUATE.word: f"within {number(low)} to {number(high)}",
        Zone.EXCESS.word: f"above {number(high)}",
    }
    return f"{zone}: {number(vwc)} m3/m3 lies {told[zone]} m3/m3"
