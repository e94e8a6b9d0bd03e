"""Every kind of curve: slopes, shape, temperature, domains, and figures that no batch can change."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.calibration import apply_curves, calibrate, records, slopes
from loamline.core.curves import kinds
from loamline.core.curves.formula import formula
from loamline.core.curves.powers import power
from loamline.core.curves.table import table_slope, table_value
from tests.core.curve_builder import EVERY_KIND, LABORATORY_POINTS, permittivity_of, soil_curve, vwc_of
from tests.core.registry_builder import probe, transducer

every_kind = pytest.mark.parametrize("curve", EVERY_KIND, ids=lambda curve: curve.id)
MIXING = soil_curve("mixing")


def inside(curve, share):
    low, high = curve.domain
    return min(low + share * (high - low), high)  # rounding may lead out of the domain


# --- slopes -------------------------------------------------------------------------------------------------------


@every_kind
@settings(max_examples=30, deadline=None)
@given(share=st.floats(0.01, 0.99), degc=st.floats(2.0, 35.0))
def test_the_slope_is_what_a_small_step_gives(curve, share, degc):
    """Central difference: error of the step squared. A table's slope bends at its points, within the same step."""
    x, step = inside(curve, share), 1e-4
    told = slopes(np.array([x]), np.array([0]), [curve], np.array([degc]))
    by_step = (vwc_of(curve, x + step, degc) - vwc_of(curve, x - step, degc)) / (2 * step)
    assert told.by_input[0] == pytest.approx(by_step, abs=2e-6)
    by_degc = (vwc_of(curve, x, degc + step) - vwc_of(curve, x, degc - step)) / (2 * step)
    assert told.per_k[0] == pytest.approx(by_degc, abs=1e-8)


def test_only_the_mixing_model_depends_on_temperature():
    for curve in EVERY_KIND:
        assert (vwc_of(curve, 15.0, 5.0) != vwc_of(curve, 15.0, 25.0)) == (curve.kind == "mixing")


def test_outside_a_domain_and_without_a_curve_there_is_no_slope():
    told = slopes(np.array([0.5, 15.0]), np.array([0, -1]), [MIXING], np.array([20.0, 20.0]))
    assert np.isnan(told.by_input).all()
    assert np.isnan(told.per_k).all()


# --- shape --------------------------------------------------------------------------------------------------------


@every_kind
@settings(max_examples=30, deadline=None)
@given(low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0), degc=st.floats(0.0, 40.0))
def test_more_permittivity_is_more_water_so_that_there_is_one_way_back(curve, low, high, degc):
    dry, wet = sorted([inside(curve, low), inside(curve, high)])
    if wet - dry > 1e-6:
        assert vwc_of(curve, dry, degc) < vwc_of(curve, wet, degc)
    assert permittivity_of(curve, vwc_of(curve, wet, degc), degc) == pytest.approx(wet, abs=1e-6)


def test_a_table_goes_through_its_points_exactly():
    told, outside = apply_curves(
        np.array([x for x, _ in LABORATORY_POINTS]), np.zeros(6, dtype=np.int64), [soil_curve("table")]
    )
    assert told.tolist() == [vwc for _, vwc in LABORATORY_POINTS]
    assert not outside.any()


def test_a_tables_slope_at_its_last_point_is_that_just_before_it():
    last = LABORATORY_POINTS[-1][0]
    at, before = table_slope(LABORATORY_POINTS, np.array([last, np.nextafter(last, 0)])).tolist()
    assert at == pytest.approx(before)
    assert at > 0


def test_a_table_of_two_points_is_a_straight_line():
    assert table_value(((2.0, 0.0), (10.0, 0.4)), np.array([4.0]))[0] == pytest.approx(0.1)


steps = st.tuples(st.floats(0.01, 20.0), st.floats(1e-4, 0.08))


@settings(max_examples=60, deadline=None)
@given(steps=st.lists(steps, min_size=2, max_size=10), share=st.floats(0.0, 1.0))
def test_a_table_never_overshoots_the_two_points_around(steps, share):
    """Fritsch & Butland 1984: monotone between monotone points."""
    across, up = (np.cumsum(column).tolist() for column in zip(*steps, strict=True))
    points = tuple(zip(across, up, strict=True))
    at = points[0][0] + share * (points[-1][0] - points[0][0])
    told = float(table_value(points, np.array([at]))[0])
    under = max(y for x, y in points if x <= at)
    over = min((y for x, y in points if x >= at), default=points[-1][1])
    assert under - 1e-12 <= told <= over + 1e-12


# --- temperature --------------------------------------------------------------------------------------------------


def test_a_soil_without_a_temperature_is_taken_to_be_at_20_degc():
    """A failed thermistor costs precision (test_uncertainty), not the reading."""
    assert vwc_of(MIXING, 15.0, np.nan) == vwc_of(MIXING, 15.0, 20.0)
    told, _ = apply_curves(np.array([15.0]), np.array([0]), [MIXING])
    assert told[0] == vwc_of(MIXING, 15.0, 20.0)


def test_the_chain_hands_the_soils_temperature_to_its_curve():
    for degc in (5.0, 25.0):
        made = calibrate(
            np.array([np.nan]),
            np.array([15.0]),
            np.array([degc]),
            records([probe()], np.array([0])),
            np.array([-1]),
            np.array([0]),
            [MIXING],
        )
        assert made.vwc_m3_m3[0] == vwc_of(MIXING, 15.0, degc)


# --- domains ------------------------------------------------------------------------------------------------------


@every_kind
def test_the_ends_of_a_domain_are_inside_and_nothing_beyond_them_is_extrapolated(curve):
    low, high = curve.domain
    given = np.array([np.nextafter(low, 0), low, high, np.nextafter(high, 99)])
    told, outside = apply_curves(given, np.zeros(4, dtype=np.int64), [curve], np.full(4, 12.0))
    assert np.isnan(told).tolist() == outside.tolist() == [True, False, False, True]


# --- figures that no batch can change -----------------------------------------------------------------------------

CURVES = (transducer(), *EVERY_KIND)
counts = st.one_of(st.none(), st.integers(0, 4095))
one_sample = st.tuples(
    counts,
    st.one_of(st.none(), st.floats(0.5, 88.0)),
    st.one_of(st.none(), st.integers(-400, 9000).map(lambda step: step / 100)),
    st.integers(-1, len(EVERY_KIND)).filter(lambda which: which != 0),
)


def batch(rows):
    """Calibrate rows of count, reported permittivity, temperature and soil curve; figures and slopes, their bits."""
    columns = [np.array([np.nan if v is None else v for v in c], dtype=np.float64) for c in zip(*rows, strict=True)]
    count, reported, degc, which = columns
    soil, zeros = which.astype(np.int64), np.zeros(len(rows), dtype=np.int64)
    made = calibrate(count, reported, degc, records([probe(count_per_k=0)], zeros), zeros, soil, CURVES)
    steep = slopes(made.permittivity, soil, CURVES, degc)
    told = (made.permittivity, made.vwc_m3_m3, steep.by_input, steep.per_k)
    return [tuple(column[row].tobytes() for column in told) for row in range(len(rows))]


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(one_sample, min_size=1, max_size=70), cut=st.integers(0, 70))
def test_a_figure_of_any_kind_is_bit_for_bit_the_same_in_any_batch(rows, cut):
    """Vectorised loops treat the middle and the end of a column differently: no figure may show it."""
    together = batch(rows)
    assert together == [figure for row in rows for figure in batch([row])]
    assert together == [figure for part in (rows[:cut], rows[cut:]) if part for figure in batch(part)]


@given(base=st.lists(st.floats(0.5, 100.0), max_size=40), exponent=st.floats(-1.0, 1.0))
def test_powers_are_the_c_librarys_one_by_one(base, exponent):
    assert power(np.array(base), exponent).tolist() == [x**exponent for x in base]


# --- words --------------------------------------------------------------------------------------------------------


@every_kind
def test_a_published_kind_names_its_source_and_standard_error(curve):
    named = curve.kind not in ("polynomial", "table")
    assert (kinds.source(curve) is not None) == named
    assert kinds.standard_error(curve) is not None
    own = soil_curve(curve.kind, standard_error=0.5, source="a laboratory")
    assert (kinds.standard_error(own), kinds.source(own)) == (0.5, "a laboratory")


def test_a_fitted_curve_has_the_standard_error_that_it_tells_or_none():
    assert kinds.standard_error(soil_curve("polynomial", standard_error=None)) is None
    assert kinds.standard_error(soil_curve("table", standard_error=None)) is None


WATER = "water having 87.74 at 0 degC"


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("topp1980", "vwc_m3_m3 = -0.053 + 0.0292 K - 0.00055 K^2 + 4.3e-06 K^3"),
        ("ledieu1986", "vwc_m3_m3 = 0.1138 sqrt(K) - 0.1758"),
        ("mixing", f"vwc_m3_m3 = (K^0.46 - (1 - 0.45) * 3.9^0.46 - 0.45) / (87.74^0.46 - 1), {WATER}"),
        ("polynomial", "vwc_m3_m3 = 0.018 + 0.0272 K - 0.0004 K^2 + 2.6e-06 K^3"),
        ("table", "vwc_m3_m3 = monotone cubic through 6 points from (2.9, 0.02) to (41, 0.52)"),
    ],
)  # fmt: skip
def test_a_formula_is_written_out_with_its_numbers(kind, expected):
    assert formula(soil_curve(kind), "K", "vwc_m3_m3", 0.0) == expected


def test_malickis_formula_says_what_its_density_makes_of_it():
    """r = 1: 0.819 + 0.168 + 0.159 = 1.146 and 7.17 + 1.18 = 8.35."""
    told = formula(soil_curve("malicki1996", bulk_density_g_cm3=1), "K", "vwc_m3_m3")
    assert told.endswith("/ (7.17 + 1.18 r) = (sqrt(K) - 1.146) / 8.35 for r = 1 g/cm3")


def test_the_mixing_formula_says_that_a_temperature_was_assumed():
    assert formula(MIXING, "K", "vwc_m3_m3").endswith("at 20 degC, taken for none told")
