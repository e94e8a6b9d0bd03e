"""What water a layer of soil holds, and where each figure comes from.

Measured figures of the layer's own beat the equations from its particle sizes, which beat the table of its class;
without a layer, the placement's class serves. See `saxton_rawls` for equations and table.
"""

from __future__ import annotations

from dataclasses import dataclass

from loamline.core.soil.saxton_rawls import (
    CLASS_TABLE,
    MOST_ORGANIC_MATTER_PERCENT,
    TABLE_ORGANIC_MATTER_PERCENT,
    Beyond,
    retention,
)
from loamline.core.soil.texture import texture_of
from loamline_schemas.registry import SoilRow, usda_class

_NAMES = ("wilting_point", "field_capacity", "saturation")


@dataclass(frozen=True)
class SoilWater:
    """Volumetric water contents, m3/m3, in rising order; `origins` says where each of the three is from."""

    wilting_point: float
    field_capacity: float
    saturation: float
    origins: tuple[str, str, str]

    def __post_init__(self) -> None:
        low, middle, high = self.figures
        if not 0 <= low < middle < high <= 1:
            told = ", ".join(
                f"{name} {figure:.4g} ({origin})"
                for name, figure, origin in zip(_NAMES, self.figures, self.origins, strict=True)
            )
            raise ValueError(
                f"expected wilting_point under field_capacity under saturation, from 0 to 1 m3/m3, got {told}; "
                "measure all three, or correct the one that is wrong"
            )

    @property
    def figures(self) -> tuple[float, float, float]:
        """Wilting point, field capacity and saturation, m3/m3."""
        return self.wilting_point, self.field_capacity, self.saturation


def soil_water_of(row: SoilRow | None, texture: str) -> SoilWater:
    """Return what holds in a layer; `texture` is the placement's class, for where no layer is told.

    ValueError with a sentence where a measured figure contradicts a computed one, where an organic soil (above
    8 % organic matter, for which neither equations nor table were made) has no measured figures, or where the
    class is unknown.
    """
    if row is None:
        return _of_class(usda_class(texture))
    measured = (row.wilting_point, row.field_capacity, row.saturation)
    own = "measured" if row.source is None else f"measured: {row.source}"
    if row.wilting_point is not None and row.field_capacity is not None and row.saturation is not None:
        return SoilWater(row.wilting_point, row.field_capacity, row.saturation, (own, own, own))
    rest = _computed(row, texture)
    picked = [theirs if mine is None else mine for mine, theirs in zip(measured, rest.figures, strict=True)]
    first, second, third = (
        theirs if mine is None else own for mine, theirs in zip(measured, rest.origins, strict=True)
    )
    return SoilWater(picked[0], picked[1], picked[2], (first, second, third))


def _computed(row: SoilRow, texture: str) -> SoilWater:
    organic = row.organic_matter_percent
    if organic is not None and organic > MOST_ORGANIC_MATTER_PERCENT:
        raise ValueError(
            f"expected organic_matter_percent at most {MOST_ORGANIC_MATTER_PERCENT:g}, which Saxton & Rawls 2006 hold "
            f"for, got {organic:g}; give wilting_point, field_capacity and saturation as measured"
        )
    if row.sand_percent is None or row.clay_percent is None:
        return _of_class(row.texture or usda_class(texture))
    supposed = TABLE_ORGANIC_MATTER_PERCENT if organic is None else organic
    computed = retention(row.sand_percent, row.clay_percent, supposed)
    beyond = Beyond(int(computed.beyond[0]))
    if beyond != Beyond.NOTHING:
        return _of_class(row.texture or texture_of(row.sand_percent, row.clay_percent), f", since {beyond.sentence}")
    origin = (
        f"Saxton & Rawls 2006, equations at sand {row.sand_percent:g} %, clay {row.clay_percent:g} %, "
        f"organic matter {supposed:g} %{' (supposed, as in their Table 3)' if organic is None else ''}"
    )
    return SoilWater(
        float(computed.wilting_point[0]),
        float(computed.field_capacity[0]),
        float(computed.saturation[0]),
        (origin, origin, origin),
    )


def _of_class(texture: str, why: str = "") -> SoilWater:
    origin = f"Saxton & Rawls 2006, Table 3, {texture}{why}"
    return SoilWater(*CLASS_TABLE[texture], (origin, origin, origin))
