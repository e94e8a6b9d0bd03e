"""What the demo's registry tells of its sites' soils and crops; invented, but for the crops' names (FAO-56 Table 22).

The orchard and the street trees have no layer: there the placements' texture holds. The trees are in no table of crops
and bring figures of their own. Particle sizes fit the textures that the placements name.
"""

from __future__ import annotations

from loamline.app.demo.fleet import FIELD, GLASSHOUSE, LAWN, ORCHARD, TREES, VINEYARD

SOIL_COLUMNS = (
    "site", "top_cm", "bottom_cm", "valid_from", "texture", "sand_percent", "clay_percent", "organic_matter_percent",
    "wilting_point", "field_capacity", "saturation", "source",
)  # fmt: skip
CROP_COLUMNS = ("site", "crop", "valid_from", "root_depth_m", "depletion_fraction")

_PIT = "the demo's invented soil pit"
_RINGS = "the demo's invented laboratory record: undisturbed rings of the bed mix"
_BED = GLASSHOUSE.ground.soil

#: Site, top and bottom (cm), texture, sand, clay and organic matter (%), measured water contents (m3/m3), source.
LAYERS: tuple[tuple[object, ...], ...] = (
    (FIELD.site, 0, 30, None, 20, 15, 3, None, None, None, _PIT),
    (FIELD.site, 30, 120, None, 17, 22, 1, None, None, None, _PIT),
    (GLASSHOUSE.site, 0, 40, "sandy loam", None, None, None,
     _BED.wilting_point, _BED.field_capacity, _BED.saturation, _RINGS),
    (LAWN.site, 0, 60, None, 80, 6, 1.5, None, None, None, _PIT),
    (VINEYARD.site, 0, 120, None, 32, 34, 1.5, None, None, None, _PIT),
)  # fmt: skip

#: Site, crop, root depth (m) and depletion fraction where they are not the table's.
CROPS: tuple[tuple[object, ...], ...] = (
    (FIELD.site, "sugar beet", 0.7, None),
    (ORCHARD.site, "apples cherries pears", 1.0, None),
    (GLASSHOUSE.site, "tomato", 0.4, None),
    (LAWN.site, "turfgrass cool season", 0.3, None),
    (TREES.site, "street trees", 1.0, 0.5),
    (VINEYARD.site, "grapes wine", 1.0, None),
)


def soil_rows(valid_from: str) -> list[tuple[object, ...]]:
    """Return the rows of soils.csv, which hold since `valid_from`; columns as SOIL_COLUMNS."""
    return [(*layer[:3], valid_from, *layer[3:]) for layer in LAYERS]


def crop_rows(valid_from: str) -> list[tuple[object, ...]]:
    """Return the rows of crops.csv, which hold since `valid_from`; columns as CROP_COLUMNS."""
    return [(*crop[:2], valid_from, *crop[2:]) for crop in CROPS]
