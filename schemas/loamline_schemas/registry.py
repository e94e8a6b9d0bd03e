"""Rows of the registry folder: sites, probes, placements, soils and crops, one model a CSV file.

Column names are the field names; a cell that may be empty is optional here.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from itertools import pairwise
from typing import Annotated, ClassVar, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BeforeValidator, ConfigDict, Field, field_validator, model_validator

from loamline_schemas.grown import Grown
from loamline_schemas.uplink import DevEui, Finite, Instant

#: The 12 classes of the USDA Soil Survey Manual's texture triangle.
USDA_TEXTURES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)


def _only_date(value: object) -> object:
    """Refuse numbers, also as text, which would be read as seconds since 1970."""
    if isinstance(value, date) or (isinstance(value, str) and re.match(r"\s*\d{4}-", value, re.ASCII)):
        return value
    raise ValueError("expected a date such as 2026-05-01")


Day = Annotated[date, BeforeValidator(_only_date)]
Name = Annotated[str, Field(min_length=1, max_length=128)]
WaterContent = Annotated[Finite, Field(ge=0, le=1, description="m3/m3")]


class RegistryRow(Grown):
    """What every registry row has in common: no unknown columns, no later change."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class SiteRow(RegistryRow):
    """A place with probes, and whose it is."""

    site: Name
    customer: Name
    latitude_deg: Annotated[Finite, Field(ge=-90, le=90, description="WGS 84")]
    longitude_deg: Annotated[Finite, Field(ge=-180, le=180, description="WGS 84")]
    time_zone: Annotated[str, Field(description="IANA time zone, for instance Europe/Lisbon")]

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError("expected an IANA time zone such as Europe/Lisbon") from None
        return value


class ProbeRow(RegistryRow):
    """One probe's factory record: its two-point count in air and in water, and its temperature correction.

    All three of `air_count`, `water_count`, `count_per_k` are empty for a probe that reports permittivity itself. A
    record that was made again is a further row of the same probe; the latest that has begun holds.
    """

    LATER: ClassVar[frozenset[str]] = frozenset({"valid_from"})

    dev_eui: DevEui
    serial: Name
    hardware: Name
    made_on: Day
    air_count: Annotated[Finite | None, Field(description="count in air at 20 degC")] = None
    water_count: Annotated[Finite | None, Field(description="count in water at 20 degC")] = None
    count_per_k: Annotated[Finite | None, Field(description="drift of the count, counts per kelvin")] = None
    valid_from: Annotated[Instant | None, Field(description="since when this record is true; empty: since ever")] = None

    @model_validator(mode="after")
    def _whole_record(self) -> Self:
        given = [self.air_count is not None, self.water_count is not None, self.count_per_k is not None]
        if any(given) and not all(given):
            raise ValueError("expected air_count, water_count and count_per_k all three or none, got some of them")
        if self.air_count is not None and self.water_count is not None and self.water_count <= self.air_count:
            raise ValueError(
                f"expected water_count above air_count, got water {self.water_count:g} and air {self.air_count:g}"
            )
        return self


class PlacementRow(RegistryRow):
    """Where one depth of a probe sat, in which soil, from when to when (end excluded)."""

    dev_eui: DevEui
    depth_index: Annotated[int, Field(ge=0, le=15)]
    site: Name
    label: Name
    depth_cm: Annotated[Finite, Field(gt=0, le=1000)]
    texture: Annotated[str, Field(description="USDA texture class")]
    valid_from: Instant
    valid_to: Instant | None = None
    curve: Annotated[str | None, Field(description="id of a soil curve that beats the texture's own")] = None
    deficit_below: WaterContent | None = None
    excess_above: WaterContent | None = None

    @field_validator("texture")
    @classmethod
    def _usda_class(cls, value: str) -> str:
        return usda_class(value)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        ordered(self.valid_from, self.valid_to)
        if self.deficit_below is not None and self.excess_above is not None and self.deficit_below >= self.excess_above:
            raise ValueError(
                f"expected deficit_below under excess_above, got {self.deficit_below:g} and {self.excess_above:g}"
            )
        return self


class SoilRow(RegistryRow):
    """One layer of a site's soil from when on: its particle sizes, and what was measured of its water.

    What is not measured follows from the particle sizes, or from the class alone (`loamline.core.soil`). A
    placement whose depth no layer of its site holds has its own texture's values.
    """

    site: Name
    top_cm: Annotated[Finite, Field(ge=0, le=1000, description="below the surface")]
    bottom_cm: Annotated[Finite, Field(gt=0, le=1000, description="below the surface")]
    valid_from: Instant
    valid_to: Instant | None = None
    texture: Annotated[str | None, Field(description="USDA texture class")] = None
    sand_percent: Annotated[Finite | None, Field(ge=0, le=100, description="of the mineral soil's mass")] = None
    clay_percent: Annotated[Finite | None, Field(ge=0, le=100, description="of the mineral soil's mass")] = None
    organic_matter_percent: Annotated[Finite | None, Field(ge=0, le=100, description="of the soil's mass")] = None
    wilting_point: WaterContent | None = None
    field_capacity: WaterContent | None = None
    saturation: WaterContent | None = None
    source: str | None = None

    @field_validator("texture")
    @classmethod
    def _usda_class(cls, value: str | None) -> str | None:
        return None if value is None else usda_class(value)

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.top_cm >= self.bottom_cm:
            raise ValueError(f"expected top_cm above bottom_cm, got {self.top_cm:g} and {self.bottom_cm:g}")
        if (self.sand_percent is None) != (self.clay_percent is None):
            raise ValueError("expected sand_percent and clay_percent both or neither, got one of them")
        if self.sand_percent is not None and self.clay_percent is not None:
            total = self.sand_percent + self.clay_percent
            if total > 100:
                raise ValueError(f"expected sand_percent and clay_percent together at most 100, got {total:g}")
        told = [value for value in (self.wilting_point, self.field_capacity, self.saturation) if value is not None]
        if self.texture is None and self.sand_percent is None and len(told) < 3:
            raise ValueError(
                "expected texture, or sand_percent and clay_percent, or all of wilting_point, field_capacity and "
                "saturation, got none of the three"
            )
        if any(low >= high for low, high in pairwise(told)):
            got = ", ".join(f"{value:g}" for value in told)
            raise ValueError(f"expected wilting_point under field_capacity under saturation, got {got}")
        ordered(self.valid_from, self.valid_to)
        return self


class CropRow(RegistryRow):
    """What grew at a site, from when to when (end excluded): it decides how deep and how dry roots draw.

    `crop` is a name of FAO-56 Table 22; its greatest root depth and its depletion fraction hold where the row's own
    are empty.
    """

    site: Name
    crop: Name
    valid_from: Instant
    valid_to: Instant | None = None
    root_depth_m: Annotated[Finite | None, Field(gt=0, le=10)] = None
    depletion_fraction: Annotated[Finite | None, Field(gt=0, lt=1, description="p of FAO-56")] = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        ordered(self.valid_from, self.valid_to)
        return self


def usda_class(value: str) -> str:
    """Return the texture class; ValueError lists the known ones."""
    if value not in USDA_TEXTURES:
        raise ValueError(f"expected one of the 12 USDA texture classes ({', '.join(USDA_TEXTURES)})")
    return value


def ordered(valid_from: datetime, valid_to: datetime | None) -> None:
    """Raise ValueError where an interval ends before it begins."""
    if valid_to is not None and valid_to <= valid_from:
        raise ValueError(f"expected valid_to after valid_from, got {valid_to.isoformat()} and {valid_from.isoformat()}")
