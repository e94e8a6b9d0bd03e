"""Rows of the registry folder: sites, probes and placements, one model a CSV file.

Column names are the field names; a cell that may be empty is optional here.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

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


class RegistryRow(BaseModel):
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

    All three of `air_count`, `water_count`, `count_per_k` are empty for a probe that reports permittivity itself.
    """

    dev_eui: DevEui
    serial: Name
    hardware: Name
    made_on: Day
    air_count: Annotated[Finite | None, Field(description="count in air at 20 degC")] = None
    water_count: Annotated[Finite | None, Field(description="count in water at 20 degC")] = None
    count_per_k: Annotated[Finite | None, Field(description="drift of the count, counts per kelvin")] = None

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
        if value not in USDA_TEXTURES:
            raise ValueError(f"expected one of the 12 USDA texture classes ({', '.join(USDA_TEXTURES)})")
        return value

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.valid_to is not None and self.valid_to <= self.valid_from:
            raise ValueError(
                f"expected valid_to after valid_from, got {self.valid_to.isoformat()} and {self.valid_from.isoformat()}"
            )
        if self.deficit_below is not None and self.excess_above is not None and self.deficit_below >= self.excess_above:
            raise ValueError(
                f"expected deficit_below under excess_above, got {self.deficit_below:g} and {self.excess_above:g}"
            )
        return self
