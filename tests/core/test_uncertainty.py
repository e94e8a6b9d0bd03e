"""Standard uncertainty by first-order propagation (JCGM 100), against drawing the inputs at random (JCGM 101)."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.calibration import apply_curves, calibrate, records, relative_count
from loamline.core.curves.kinds import standard_error
from loamline.core.uncertainty import CAUSES, propagate
from tests.core.curve_builder import EVERY_KIND, permittivity_of, soil_curve
from tests.core.registry_builder import probe, transducer

DRAWS = 200_000
#: With so many draws a standard deviation is known to 0.16 %; the rest is what first order leaves out.
AGREEMENT = 0.01
TRANSDUCER = transducer(standard_error=0.25)
RECORD = probe()
NONE = np.array([np.nan])

every_kind = pytest.mark.parametrize("curve", EVERY_KIND, ids=lambda curve: curve.id)


def told(curve, *, count=np.nan, permittivity=np.nan, degc=12.0, record=RECORD, transducer_curve=TRANSDUCER):
    """Return the uncertainty of one sample and its variance by cause."""
    curves = [transducer_curve, curve]
    given = (
        np.array([float(permittivity)]),
        np.array([float(degc)]),
        records([record], np.array([0])),
        np.array([0]),
        np.array([1]),
        curves,
    )
    made = calibrate(np.array([float(count)]), *given)
    found = propagate(made, *given)
    return float(found.vwc_uncertainty_m3_m3[0]), {name: float(v[0]) for name, v in found.variance.items()}


def uniform(draw, middle, half_width):
    return draw.uniform(middle - half_width, middle + half_width, DRAWS)


def drawn_from_count(curve, count, degc, seed=1):
    """Draw every input of the chain and return the water contents without the soil curve's own error."""
    draw = np.random.default_rng(seed)
    temperature = uniform(draw, degc, 0.5)
    x = relative_count(
        uniform(draw, count, 0.5),
        temperature,
        uniform(draw, RECORD.air_count, 1),
        uniform(draw, RECORD.water_count, 1),
        np.full(DRAWS, float(RECORD.count_per_k)),
    )
    zeros = np.zeros(DRAWS, dtype=np.int64)
    permittivity, _ = apply_curves(x, zeros, [TRANSDUCER])
    permittivity = permittivity + draw.normal(0, TRANSDUCER.standard_error, DRAWS)
    return apply_curves(permittivity, zeros, [curve], temperature)[0], draw


# --- against drawing at random (JCGM 101) -------------------------------------------------------------------------


@every_kind
@pytest.mark.parametrize("count", [1200, 1650])
def test_the_uncertainty_of_a_count_is_that_of_200_000_draws(curve, count):
    """Permittivity 9.4 and 15.5; every input drawn at once, first without and then with the soil curve's error."""
    vwc, draw = drawn_from_count(curve, count, 12.0)
    assert not np.isnan(vwc).any()
    total, variance = told(curve, count=count)
    inputs = sum(share for cause, share in variance.items() if cause != "soil_curve")
    assert math.sqrt(inputs) == pytest.approx(vwc.std(), rel=AGREEMENT)
    with_soil = vwc + draw.normal(0, standard_error(curve), DRAWS)
    assert total == pytest.approx(with_soil.std(), rel=AGREEMENT)


@every_kind
def test_the_uncertainty_of_a_reported_permittivity_is_that_of_200_000_draws(curve):
    draw = np.random.default_rng(2)
    zeros = np.zeros(DRAWS, dtype=np.int64)
    vwc, _ = apply_curves(uniform(draw, 15.0, 0.005), zeros, [curve], uniform(draw, 12.0, 0.5))
    total, variance = told(curve, permittivity=15.0)
    inputs = sum(share for cause, share in variance.items() if cause != "soil_curve")
    assert math.sqrt(inputs) == pytest.approx(vwc.std(), rel=AGREEMENT)
    assert total == pytest.approx((vwc + draw.normal(0, standard_error(curve), DRAWS)).std(), rel=AGREEMENT)


def test_the_way_temperature_acts_twice_is_that_of_draws_of_temperature_alone():
    """By the drift of the count and by the permittivity of water; here one takes from the other."""
    curve, draw = soil_curve("mixing"), np.random.default_rng(3)
    temperature, zeros = uniform(draw, 12.0, 0.5), np.zeros(DRAWS, dtype=np.int64)
    record = [np.full(DRAWS, float(c)) for c in (RECORD.air_count, RECORD.water_count, 2.0)]
    x = relative_count(np.full(DRAWS, 1650.0), temperature, *record)
    vwc, _ = apply_curves(apply_curves(x, zeros, [TRANSDUCER])[0], zeros, [curve], temperature)
    _, variance = told(curve, count=1650, record=probe(count_per_k=2))
    assert math.sqrt(variance["soil_temperature"]) == pytest.approx(vwc.std(), rel=AGREEMENT)
    _, drift_alone = told(soil_curve("topp1980"), count=1650, record=probe(count_per_k=2))
    assert variance["soil_temperature"] < drift_alone["soil_temperature"]


def test_a_soil_without_a_temperature_has_the_uncertainty_of_every_temperature_it_could_have():
    """Drawn from 0 to 40 degC; water bends a little over so wide a span, hence 2 %."""
    curve, draw = soil_curve("mixing"), np.random.default_rng(4)
    vwc, _ = apply_curves(np.full(DRAWS, 15.0), np.zeros(DRAWS, dtype=np.int64), [curve], uniform(draw, 20.0, 20.0))
    _, variance = told(curve, permittivity=15.0, degc=np.nan)
    assert math.sqrt(variance["soil_temperature"]) == pytest.approx(vwc.std(), rel=0.02)


# --- by hand ------------------------------------------------------------------------------------------------------


def test_every_cause_worked_by_hand():
    """A straight transducer, 1 + 40 x over 3000 counts, and a straight soil curve of 0.01 m3/m3 a permittivity.

    One count is 1/75 of a permittivity and so 1/7500 m3/m3; at x = 0.25 the count in air weighs 0.75, in water 0.25.
    """
    soil = soil_curve("polynomial", coefficients=[0, 0.01], domain=[1, 81], standard_error=0.02)
    straight = transducer(coefficients=[1, 40], standard_error=0.5)
    total, variance = told(soil, count=340 + 750, degc=20, transducer_curve=straight)
    count = 1 / 7500
    by_hand = {
        "soil_curve": 0.02**2,
        "transducer_curve": (0.01 * 0.5) ** 2,
        "count_resolution": count**2 / 12,
        "permittivity_resolution": 0.0,
        "soil_temperature": (2 * count) ** 2 * 0.5**2 / 3,
        "air_count": (0.75 * count) ** 2 / 3,
        "water_count": (0.25 * count) ** 2 / 3,
    }
    assert variance == pytest.approx(by_hand, rel=1e-12)
    assert total == pytest.approx(math.sqrt(sum(by_hand.values())), rel=1e-12)


def test_topps_own_standard_error_leads():
    """0.013 m3/m3, Topp, Davis & Annan 1980 (MEMORY): all the rest of a usual probe adds 2 % to it."""
    total, variance = told(soil_curve("topp1980"), count=1650, transducer_curve=transducer())
    assert variance["soil_curve"] == pytest.approx(0.013**2)
    assert 0.013 < total < 0.0133


# --- what is not known --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["polynomial", "table"])
def test_a_fitted_curve_without_a_standard_error_leaves_the_uncertainty_unknown(kind):
    """The other causes are a fraction of it: their sum would promise too much."""
    total, variance = told(soil_curve(kind, standard_error=None), count=1650)
    assert math.isnan(total)
    assert math.isnan(variance["soil_curve"])
    assert variance["count_resolution"] > 0


def test_a_transducer_curve_without_a_standard_error_adds_nothing():
    _, variance = told(soil_curve("topp1980"), count=1650, transducer_curve=transducer())
    assert variance["transducer_curve"] == 0


def test_a_reported_permittivity_owes_nothing_to_counts_and_records():
    bare = probe(air_count=None, water_count=None, count_per_k=None)
    total, variance = told(soil_curve("topp1980"), permittivity=15.0, record=bare)
    assert total > 0.013
    assert [variance[name] for name in ("transducer_curve", "count_resolution", "air_count", "water_count")] == [0] * 4


def test_a_record_without_drift_needs_no_temperature():
    total, variance = told(soil_curve("topp1980"), count=1650, degc=np.nan, record=probe(count_per_k=0))
    assert total > 0.013
    assert variance["soil_temperature"] == 0


@pytest.mark.parametrize(
    ("count", "permittivity", "degc"),
    [(np.nan, np.nan, 12.0), (300, np.nan, 12.0), (np.nan, 81.5, 12.0), (1650, np.nan, np.nan)],
    ids=["nothing measured", "outside the transducer's curve", "outside the soil's", "drift but no temperature"],
)
def test_where_there_is_no_figure_there_is_no_uncertainty(count, permittivity, degc):
    assert math.isnan(told(soil_curve("topp1980"), count=count, permittivity=permittivity, degc=degc)[0])


def test_every_cause_is_told_in_words():
    assert set(told(soil_curve("topp1980"), count=1650)[1]) == set(CAUSES)


# --- properties ---------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(which=st.integers(0, len(EVERY_KIND) - 1), vwc=st.floats(0.05, 0.4), degc=st.floats(0.0, 40.0))
def test_the_causes_add_up_and_none_is_negative(which, vwc, degc):
    curve = EVERY_KIND[which]
    total, variance = told(curve, permittivity=permittivity_of(curve, vwc), degc=degc)
    assert all(share >= 0 for share in variance.values())
    assert total**2 == pytest.approx(sum(variance.values()))
    assert total >= standard_error(curve)


@settings(max_examples=40, deadline=None)
@given(
    rows=st.lists(st.tuples(st.integers(340, 3340), st.floats(0.0, 40.0), st.integers(-1, 7)), min_size=1, max_size=50)
)
def test_an_uncertainty_is_bit_for_bit_the_same_in_any_batch(rows):
    def batch(part):
        count, degc, which = (np.array(c) for c in zip(*part, strict=True))
        m = len(part)
        zeros = np.zeros(m, dtype=np.int64)
        given = (np.full(m, np.nan), degc, records([RECORD], zeros), zeros, which + (which >= 0))
        curves = [TRANSDUCER, *EVERY_KIND]
        made = calibrate(count.astype(np.float64), *given, curves)
        return [u.tobytes() for u in propagate(made, *given, curves).vwc_uncertainty_m3_m3]

    assert batch(rows) == [figure for row in rows for figure in batch([row])]
