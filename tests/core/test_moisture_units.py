"""Water contents in the unit that was asked for: names, figures and what columns say of themselves."""

import pyarrow as pa
import pytest

from loamline.core.moisture_units import MoistureUnit, in_unit

READINGS = pa.table(
    {
        "depth_cm": pa.array([10.0, 20.0]),
        "vwc_m3_m3": pa.array([0.25, None]),
        "plant_available_fraction": pa.array([0.5, 1.25]),
        "vwc_uncertainty_m3_m3": pa.array([0.125, 0.03125]),
    },
    schema=pa.schema(
        [
            pa.field("depth_cm", pa.float64()),
            pa.field("vwc_m3_m3", pa.float64(), metadata={"unit": "m3/m3", "says": "water"}),
            pa.field("plant_available_fraction", pa.float64()),
            pa.field("vwc_uncertainty_m3_m3", pa.float64()),
        ]
    ),
)


def test_the_share_of_the_volume_is_what_is_stored():
    assert in_unit(READINGS, MoistureUnit.VOLUME_SHARE).equals(READINGS, check_metadata=True)


def test_percent_is_a_hundred_times_the_share_under_names_and_units_of_its_own():
    told = in_unit(READINGS, MoistureUnit.PERCENT)
    assert told.to_pydict() == {
        "depth_cm": [10.0, 20.0],
        "vwc_percent": [25.0, None],
        "plant_available_fraction": [0.5, 1.25],
        "vwc_uncertainty_percent": [12.5, 3.125],
    }
    assert told.schema.field("vwc_percent").metadata == {b"unit": b"%", b"says": b"water"}
    assert told.schema.field("vwc_uncertainty_percent").metadata == {b"unit": b"%"}
    assert told.schema.field("depth_cm").metadata is None


def test_the_plant_available_fraction_stands_alone_where_it_is_asked_for():
    told = in_unit(READINGS, MoistureUnit.FRACTION)
    assert told.to_pydict() == {"depth_cm": [10.0, 20.0], "plant_available_fraction": [0.5, 1.25]}


def test_millimetres_are_of_a_profile_and_refused():
    with pytest.raises(ValueError, match="expected a unit of one reading, got mm"):
        in_unit(READINGS, MoistureUnit.MM)
