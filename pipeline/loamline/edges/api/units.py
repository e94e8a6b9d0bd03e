"""Water in the unit that is asked for: columns of a table renamed, scaled, or left out. Pure."""

from __future__ import annotations

from enum import StrEnum

import pyarrow as pa
import pyarrow.compute as pc

_RATIO, _PERCENT = "_m3_m3", "_percent"


class Unit(StrEnum):
    """How water is told."""

    RATIO = "m3/m3"
    PERCENT = "percent"
    AVAILABLE = "plant_available_fraction"
    PROFILE = "mm"


def in_unit(rows: pa.Table, unit: Unit) -> pa.Table:
    """Return rows with water in m3/m3, in percent, or as the plant-available fraction alone."""
    if unit is Unit.AVAILABLE:
        return rows.select([name for name in rows.column_names if not name.endswith(_RATIO)])
    if unit is not Unit.PERCENT:
        return rows
    for number, field in enumerate(rows.schema):
        if field.name.endswith(_RATIO):
            meaning = (field.metadata or {}).get(b"meaning", b"")
            told = pa.field(
                field.name.removesuffix(_RATIO) + _PERCENT, field.type, metadata={"unit": "%", "meaning": meaning}
            )
            rows = rows.set_column(number, told, pc.multiply(rows.column(number), 100.0))
    return rows


def schema_in(schema: pa.Schema, unit: Unit) -> pa.Schema:
    """Return the columns that `in_unit` makes of these."""
    return in_unit(schema.empty_table(), unit).schema
