"""Water content in the units that people ask for; what is stored is m3/m3, the share of the volume."""

from __future__ import annotations

from enum import StrEnum

import pyarrow as pa
import pyarrow.compute as pc


class MoistureUnit(StrEnum):
    """What a water content is told in."""

    VOLUME_SHARE = "m3/m3"
    PERCENT = "percent"
    FRACTION = "plant_available_fraction"
    MM = "mm"


_M3_M3 = "_m3_m3"


def in_unit(readings: pa.Table, unit: MoistureUnit) -> pa.Table:
    """Return readings with their water contents in another unit, told by the columns' names and metadata.

    PERCENT turns each column `..._m3_m3` into `..._percent`, times 100. FRACTION leaves those columns out, since the
    plant-available fraction stands beside them. VOLUME_SHARE changes nothing. MM is no unit of one reading: it is the
    water of a whole profile, which is reckoned over depths; raises ValueError.
    """
    if unit is MoistureUnit.MM:
        raise ValueError("expected a unit of one reading, got mm: that is the water of a profile, over all its depths")
    if unit is MoistureUnit.VOLUME_SHARE:
        return readings
    fields, columns = [], []
    for field in readings.schema:
        column = readings.column(field.name)
        if not field.name.endswith(_M3_M3):
            fields.append(field)
            columns.append(column)
        elif unit is MoistureUnit.PERCENT:
            name = f"{field.name.removesuffix(_M3_M3)}_percent"
            fields.append(pa.field(name, field.type, metadata={**(field.metadata or {}), b"unit": b"%"}))
            columns.append(pc.multiply(column, 100.0))
    return pa.table(columns, schema=pa.schema(fields))
