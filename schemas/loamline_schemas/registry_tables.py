"""The registry's tables: states, and rows that are in force from one state to another."""

from __future__ import annotations

import pyarrow as pa

from loamline_schemas.columns import INSTANT, Column, Table, column

REFERENCE = Table(
    "reference",
    "States of the registry, in the order in which we were told.",
    (
        column("reference_id", pa.int32(), "", required=True),
        column("recorded_at", INSTANT, "", required=True),
        column("digest", pa.string(), "over every row in force", required=True),
        column("note", pa.string(), "what was loaded", required=True),
    ),
)


def _span(since: int = 1) -> tuple[Column, ...]:
    return (
        column("digest", pa.string(), "content digest of the row", required=True, since=since),
        column("first_reference_id", pa.int32(), "the state that brought it", required=True, since=since),
        column("last_reference_id", pa.int32(), "the last state that held it; null: still in force", since=since),
    )


SITE = Table(
    "site",
    "Places with probes.",
    (
        *_span(),
        column("site", pa.string(), "", required=True),
        column("customer", pa.string(), "", required=True),
        column("latitude_deg", pa.float64(), "WGS 84", required=True),
        column("longitude_deg", pa.float64(), "WGS 84", required=True),
        column("time_zone", pa.string(), "IANA", required=True),
    ),
)

PROBE = Table(
    "probe",
    "Factory records.",
    (
        *_span(),
        column("dev_eui", pa.string(), "", required=True),
        column("serial", pa.string(), "", required=True),
        column("hardware", pa.string(), "", required=True),
        column("made_on", pa.date32(), "", required=True),
        column("air_count", pa.float64(), "count in air at 20 degC"),
        column("water_count", pa.float64(), "count in water at 20 degC"),
        column("count_per_k", pa.float64(), "counts per kelvin"),
        column("valid_from", INSTANT, "null: since ever", since=2),
    ),
)

PLACEMENT = Table(
    "placement",
    "Where each depth of a probe sat, in which soil, from when to when.",
    (
        *_span(),
        column("dev_eui", pa.string(), "", required=True),
        column("depth_index", pa.uint8(), "", required=True),
        column("site", pa.string(), "", required=True),
        column("label", pa.string(), "", required=True),
        column("depth_cm", pa.float64(), "cm below the surface", required=True),
        column("texture", pa.string(), "USDA class", required=True),
        column("valid_from", INSTANT, "", required=True),
        column("valid_to", INSTANT, "end excluded; null: open"),
        column("curve", pa.string(), "soil curve that beats the texture's"),
        column("deficit_below", pa.float64(), "m3/m3"),
        column("excess_above", pa.float64(), "m3/m3"),
    ),
)

SOIL = Table(
    "soil",
    "Layers of the sites' soils, from when to when.",
    (
        *_span(2),
        column("site", pa.string(), "", required=True, since=2),
        column(
            "definition", pa.string(), "canonical JSON of loamline_schemas.registry.SoilRow", required=True, since=2
        ),
    ),
    since=2,
)

CROP = Table(
    "crop",
    "What grew at the sites, from when to when.",
    (
        *_span(2),
        column("site", pa.string(), "", required=True, since=2),
        column(
            "definition", pa.string(), "canonical JSON of loamline_schemas.registry.CropRow", required=True, since=2
        ),
    ),
    since=2,
)

CURVE = Table(
    "curve",
    "Calibration curves.",
    (
        *_span(),
        column("id", pa.string(), "", required=True),
        column("definition", pa.string(), "canonical JSON of loamline_schemas.curves.Curve", required=True),
    ),
)

LIMITS = Table(
    "limits",
    "Thresholds of the checks, one row a layer.",
    (
        *_span(),
        column("layer", pa.string(), "limits, texture, site or probe", required=True),
        column("name", pa.string(), "the texture, site or dev_eui; empty for the first layer", required=True),
        column("definition", pa.string(), "canonical JSON of the layer", required=True),
    ),
)

#: The registry's tables, whose rows are in force from one registry state to another.
REGISTRY_TABLES = (SITE, PROBE, PLACEMENT, CURVE, LIMITS, SOIL, CROP)
