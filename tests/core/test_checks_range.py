"""Range: physically impossible fails, unusual for soil is suspect, a fault code is missing, no figure is no verdict."""

import numpy as np
import pytest

from loamline.core.checks.range_bounds import check_range
from loamline_schemas.verdicts import RangeCause
from tests.core.series_builder import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT, make_limits, make_series


def ranged(**columns):
    """Return flag and cause of the one sample of a series with these columns, under the shipped limits."""
    series = make_series(**columns)
    flag, cause = check_range(series, make_limits(series))
    return flag[0], RangeCause(int(cause[0]))


def test_an_ordinary_moist_soil_passes():
    assert ranged() == (PASS, RangeCause.NONE)


@pytest.mark.parametrize("vwc", [0.02, 0.55])
def test_end_points_of_the_usual_bounds_pass(vwc):
    """IOC Manuals and Guides 54: a value at the end of a span is inside it."""
    assert ranged(vwc=vwc) == (PASS, RangeCause.NONE)


@pytest.mark.parametrize("vwc", [-0.03, 0.01999, 0.55001, 0.70])
def test_water_content_outside_the_usual_bounds_is_suspect_up_to_the_physical_ones(vwc):
    assert ranged(vwc=vwc) == (SUSPECT, RangeCause.VWC_SUSPECT)


@pytest.mark.parametrize("vwc", [-0.03001, 0.70001])
def test_water_content_outside_the_physical_bounds_fails(vwc):
    assert ranged(vwc=vwc) == (FAIL, RangeCause.VWC_FAIL)


@pytest.mark.parametrize(("temperature", "flag"), [(-40.01, FAIL), (-40.0, PASS), (65.0, PASS), (65.01, FAIL)])
def test_soil_temperature_outside_its_bounds_fails(temperature, flag):
    assert ranged(temperature=temperature)[0] == flag


@pytest.mark.parametrize(("permittivity", "flag"), [(0.99, FAIL), (1.0, PASS), (88.0, PASS), (88.01, FAIL)])
def test_permittivity_lies_between_vacuum_and_water_at_0_degc(permittivity, flag):
    """Malmberg & Maryott 1956: 87.74 for water at 0 degC, rounded up."""
    assert ranged(permittivity=permittivity)[0] == flag


def test_a_raw_figure_that_the_payload_version_cannot_mean_fails_though_it_is_kept():
    assert ranged(count=5000, out_of_range=True) == (FAIL, RangeCause.RAW_OUT_OF_RANGE)


def test_a_figure_that_no_curve_reaches_fails_and_names_the_curve():
    assert ranged(vwc=None, permittivity=None, outside_transducer=True) == (FAIL, RangeCause.OUTSIDE_TRANSDUCER_CURVE)
    assert ranged(vwc=None, outside_soil=True) == (FAIL, RangeCause.OUTSIDE_SOIL_CURVE)


def test_a_transducers_fault_code_is_missing_and_no_number():
    assert ranged(moisture_fault=True) == (MISSING, RangeCause.SENSOR_FAULT)


def test_a_thermistors_fault_code_is_missing_where_it_takes_the_figure_with_it():
    assert ranged(vwc=None, temperature=None, temperature_fault=True) == (MISSING, RangeCause.SENSOR_FAULT)


def test_a_thermistors_fault_code_leaves_a_figure_that_did_not_need_it():
    assert ranged(temperature=None, temperature_fault=True) == (PASS, RangeCause.NONE)


def test_a_figure_that_the_registry_does_not_let_us_compute_is_not_evaluated():
    assert ranged(vwc=None) == (NOT_EVALUATED, RangeCause.UNCALIBRATED)


def test_an_uncalibrated_sample_still_fails_by_what_it_does_carry():
    assert ranged(vwc=None, temperature=70.0) == (FAIL, RangeCause.TEMPERATURE_FAIL)
    assert ranged(moisture_fault=True, temperature=-50.0) == (FAIL, RangeCause.TEMPERATURE_FAIL)


GRAVER = [
    ({"vwc": 0.60}, RangeCause.VWC_SUSPECT),
    ({"vwc": 0.80}, RangeCause.VWC_FAIL),
    ({"outside_soil": True}, RangeCause.OUTSIDE_SOIL_CURVE),
    ({"permittivity": 90.0}, RangeCause.PERMITTIVITY_FAIL),
    ({"outside_transducer": True}, RangeCause.OUTSIDE_TRANSDUCER_CURVE),
    ({"temperature": 70.0}, RangeCause.TEMPERATURE_FAIL),
    ({"out_of_range": True}, RangeCause.RAW_OUT_OF_RANGE),
]


@pytest.mark.parametrize("count", range(1, len(GRAVER) + 1), ids=lambda count: GRAVER[count - 1][1].word)
def test_of_several_causes_the_one_nearest_to_the_raw_figure_is_told(count):
    """What is wrong with the bytes explains what follows from them, never the other way round."""
    told = {}
    for columns, _ in GRAVER[:count]:
        told |= columns
    assert ranged(**told)[1] == GRAVER[count - 1][1]


def test_every_sample_is_judged_by_its_own_limits():
    series = make_series(vwc=[0.30, 0.30])
    limits = make_limits(series)
    limits["vwc_suspect_high"][1] = 0.29
    assert check_range(series, limits)[0].tolist() == [PASS, SUSPECT]


def test_no_samples_have_no_flags():
    series = make_series(n=0)
    flag, cause = check_range(series, make_limits(series))
    assert flag.tolist() == cause.tolist() == []
    assert flag.dtype == cause.dtype == np.uint8
