"""From count to water content: the two curves worked by hand, their domains, and figures that no batch can change."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.calibration import TOPP_1980, apply_curves, calibrate, polynomial, records, relative_count
from tests.core.registry_builder import probe, topp, transducer

CURVES = (transducer(), topp(), transducer("straight", kind="polynomial", coefficients=[2, 10], domain=[0.25, 0.75]))

PROBE = probe()


def column(*values):
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def figures(count=None, temperature=20.0, *, permittivity=None, record=PROBE, transducer_curve=0, soil_curve=1):
    """Return x, permittivity, water content, and the two flags of one sample."""
    told = calibrate(
        column(count),
        column(permittivity),
        column(temperature),
        records([record], np.array([0])),
        np.array([transducer_curve]),
        np.array([soil_curve]),
        CURVES,
    )
    return tuple(getattr(told, name)[0] for name in vars(told))


# --- the transducer step ------------------------------------------------------------------------------------------


def test_a_count_half_way_from_air_to_water_worked_by_hand():
    """x = (1840 - 340) / (3340 - 340) = 0.5; 1 + 18/2 + 40/4 = 20; Topp et al. 1980 tabulates 20 as 0.345400."""
    x, permittivity, vwc, outside_transducer, outside_soil = figures(1840, 20.0)
    assert (x, permittivity) == (0.5, 20.0)
    assert vwc == pytest.approx(0.345400, abs=1e-6)
    assert not outside_transducer
    assert not outside_soil


def test_the_records_drift_is_taken_off_for_every_kelvin_from_20_degc():
    """The count falls by 2 a kelvin: at 15 degC it stands 10 too high, at 25 degC 10 too low."""
    assert figures(1850, 15.0)[0] == 0.5
    assert figures(1830, 25.0)[0] == 0.5


def test_a_drifting_record_gives_no_figure_without_a_temperature():
    x, permittivity, vwc, outside_transducer, outside_soil = figures(1850, None)
    assert np.isnan([x, permittivity, vwc]).all()
    assert not outside_transducer
    assert not outside_soil


def test_a_record_without_drift_needs_no_temperature():
    assert figures(1840, None, record=probe(count_per_k=0))[0] == 0.5


def test_a_probe_without_a_factory_record_gives_no_figure_from_a_count():
    bare = probe(air_count=None, water_count=None, count_per_k=None)
    assert np.isnan(figures(1840, record=bare)[:3]).all()


def test_an_unregistered_probe_has_no_record():
    assert np.isnan(records([probe()], np.array([-1, -1]))).all()
    assert np.isnan(records([], np.array([-1]))).all()


def test_every_sample_is_computed_by_its_own_probes_record():
    told = records([probe(1), probe(2, air_count=300), probe(3, water_count=3000)], np.array([2, 0, 1, -1]))
    assert told[0].tolist()[:3] == [340.0, 340.0, 300.0]
    assert told[1].tolist()[:3] == [3000.0, 3340.0, 3340.0]
    assert np.isnan(told[0][3])


def test_a_reported_permittivity_skips_the_transducer_step():
    _, permittivity, vwc, outside_transducer, _ = figures(permittivity=20.0, transducer_curve=-1)
    assert permittivity == 20.0
    assert vwc == pytest.approx(0.345400, abs=1e-6)
    assert not outside_transducer


def test_without_a_curve_there_is_no_figure_and_nothing_lies_outside():
    assert np.isnan(figures(1840, transducer_curve=-1)[1:3]).all()
    _, permittivity, vwc, _, outside_soil = figures(1840, soil_curve=-1)
    assert permittivity == 20.0
    assert np.isnan(vwc)
    assert not outside_soil


# --- domains ------------------------------------------------------------------------------------------------------


def test_the_end_points_of_a_domain_are_inside():
    computed, outside = apply_curves(column(0.25, 0.75), np.array([2, 2]), CURVES)
    assert computed.tolist() == [4.5, 9.5]
    assert not outside.any()


def test_outside_a_domain_nothing_is_extrapolated_and_the_flag_says_so():
    just = np.nextafter([0.25, 0.75], [0.0, 1.0])
    computed, outside = apply_curves(just, np.array([2, 2]), CURVES)
    assert np.isnan(computed).all()
    assert outside.all()


def test_no_input_is_not_outside():
    computed, outside = apply_curves(column(None, 0.5), np.array([2, -1]), CURVES)
    assert np.isnan(computed).all()
    assert not outside.any()


def test_each_step_flags_its_own_curve():
    """A count under air lies outside the transducer's curve; a permittivity above water's outside the soil's."""
    assert [bool(flag) for flag in figures(300)[3:]] == [True, False]
    assert [bool(flag) for flag in figures(permittivity=81.5)[3:]] == [False, True]


# --- figures that no batch can change -----------------------------------------------------------------------------

counts = st.one_of(st.none(), st.integers(0, 4095), st.just(65535))
temperatures = st.one_of(st.none(), st.integers(-2000, 5000).map(lambda step: step / 100))
one_sample = st.tuples(counts, temperatures, st.integers(-1, 2), st.integers(-1, 0), st.integers(-1, 1))
PROBES = [probe(1), probe(2, count_per_k=0), probe(3, air_count=333, water_count=3171, count_per_k=-1.7)]


def batch(rows):
    """Calibrate rows of count, temperature, probe, transducer curve and soil curve; their bits."""
    count, temperature, which, transducer_curve, soil = zip(*rows, strict=True)
    told = calibrate(
        column(*count),
        np.full(len(rows), np.nan),
        column(*temperature),
        records(PROBES, np.array(which)),
        np.array(transducer_curve),
        np.array(soil),
        CURVES,
    )
    return [tuple(getattr(told, name)[row].tobytes() for name in vars(told)) for row in range(len(rows))]


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(one_sample, min_size=1, max_size=40), cut=st.integers(0, 40))
def test_a_figure_is_bit_for_bit_the_same_in_any_batch_and_any_time(rows, cut):
    """Recalibrating with the same curves reproduces what is stored: same arithmetic, same order."""
    together = batch(rows)
    assert together == batch(rows)
    assert together == [figure for row in rows for figure in batch([row])]
    assert together == [figure for part in (rows[:cut], rows[cut:]) if part for figure in batch(part)]


@settings(max_examples=40, deadline=None)
@given(raw=st.lists(st.integers(340, 3340), min_size=2, max_size=40), kelvin=st.integers(-10, 20))
def test_increasing_curves_keep_the_order_of_raw_counts_and_ties_stay_ties(raw, kelvin):
    """Topp et al. 1980 increases everywhere (least slope 0.005750 at 42.64), and so does 1 + 18 x + 40 x^2."""
    m = len(raw)
    record = records([probe(count_per_k=0)], np.zeros(m, dtype=np.int64))
    zeros = np.zeros(m, dtype=np.int64)
    told = calibrate(
        column(*raw), np.full(m, np.nan), np.full(m, float(kelvin)), record, zeros, zeros + 1, (CURVES[0], topp())
    )
    for one in range(1, m):
        assert np.sign(told.vwc_m3_m3[one] - told.vwc_m3_m3[0]) == np.sign(raw[one] - raw[0])


@settings(max_examples=60, deadline=None)
@given(low=st.floats(1.0, 81.0), step=st.floats(1e-6, 40.0))
def test_topp_increases_strictly_so_that_it_has_one_inverse(low, step):
    """Topp, Davis & Annan 1980: theta(Ka) has no turning point at any Ka."""
    dry, wet = polynomial(TOPP_1980, column(low, low + step))
    assert wet > dry


@given(ascending=st.lists(st.integers(-9, 9), min_size=1, max_size=6), x=st.integers(-9, 9))
def test_a_polynomial_is_the_sum_of_its_powers(ascending, x):
    assert polynomial(ascending, column(x))[0] == sum(c * x**power for power, c in enumerate(ascending))


def test_relative_count_is_0_in_air_and_1_in_water():
    same = column(340, 340), column(3340, 3340), column(-2, -2)
    assert relative_count(column(340, 3340), column(20, 20), *same).tolist() == [0.0, 1.0]
