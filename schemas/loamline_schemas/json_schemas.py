"""The published JSON Schemas (draft 2020-12) of everything that crosses an edge as text."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from loamline_schemas.curves import CurveFile
from loamline_schemas.envelope_map import EnvelopeMap
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow
from loamline_schemas.settings import Settings
from loamline_schemas.uplink import Uplink

#: Name on the command line -> model.
PUBLISHED: dict[str, type[BaseModel]] = {
    "uplink": Uplink,
    "site": SiteRow,
    "probe": ProbeRow,
    "placement": PlacementRow,
    "soil": SoilRow,
    "crop": CropRow,
    "curves": CurveFile,
    "limits": LimitsFile,
    "envelope-map": EnvelopeMap,
    "settings": Settings,
}


def json_schema(name: str) -> dict[str, Any]:
    """Return the JSON Schema called `name`; KeyError lists the known names."""
    if name not in PUBLISHED:
        raise KeyError(f"expected one of {', '.join(PUBLISHED)}, got {name!r}")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **PUBLISHED[name].model_json_schema()}
