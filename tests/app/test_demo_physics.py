"""The demo's soil and transducers: temperature waves, water and inverse curves against published figures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.app.demo import draws
from loamline.app.demo.fleet import (
    HISTORY_DAYS,
    HISTORY_END,
    LAWN,
    SITES,
    TRANSDUCER_CURVES,
    VINEYARD,
)
from loamline.app.demo.soil import WaterBucket, damping, damping_depth_m, soil_temperature_degc
from loamline.app.demo.transducer import InversePolynomial
from loamline.app.demo.uplinks import Simulation
from loamline.app.demo.weather import DAY_H, MEAN_AIR_DEGC, Wave, Weather
from loamline.core.calibration import TOPP_1980

FIELD_SITE = SITES[0]
END_H = int(HISTORY_END.timestamp()) // 3600
permittivity_from_vwc_topp = InversePolynomial(TOPP_1980, (1.0, 81.0))


def air_temperature_degc(weather, climate, hours):
    """Return the air's temperature by the weather's waves, which the demo draws in the soil alone."""
    slow = sum((wave.at(hours) for wave in weather.waves), start=weather.cold_spell_k(climate, hours))
    daily = Wave(DAY_H, 1.0, weather.daily_crest_h(climate)).at(hours) * weather.daily_amplitude_k(climate, hours)
    return MEAN_AIR_DEGC + climate.mean_shift_k + climate.swing * (slow + daily)


@pytest.fixture(scope="module")
def simulation():
    return Simulation(seed=1)


# --- soil temperature -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("diffusivity_m2_s", "period_s", "depth_m", "expected"),
    [
        (2.0e-7, 86_400, 0.05, (0.07416, 0.509576, 2.575)),
        (2.0e-7, 31_557_600, 0.50, (1.41740, 0.702747, 492.152)),
        (5.0e-7, 86_400, 0.10, (0.11726, 0.426232, 3.257)),
        (5.0e-7, 86_400, 0.30, (0.11726, 0.077435, 9.772)),
        (5.0e-7, 31_557_600, 1.00, (2.24110, 0.640050, 622.529)),
        (8.0e-7, 86_400, 0.20, (0.14833, 0.259668, 5.150)),
        (8.0e-7, 31_557_600, 0.05, (2.83480, 0.982517, 24.608)),
    ],
)
def test_waves_shrink_and_lag_with_depth_as_published(diffusivity_m2_s, period_s, depth_m, expected):
    """Expected: damping depth (m), amplitude ratio, lag (h). A(z) = A exp(-z/d), lag z/d, d = sqrt(2D/omega).

    van Wijk & de Vries 1963; the figures are computed from their formula.
    """
    assert damping_depth_m(diffusivity_m2_s, period_s) == pytest.approx(expected[0], abs=1e-5)
    ratio, lag_h = damping(diffusivity_m2_s, period_s / 3600, depth_m)
    assert ratio == pytest.approx(expected[1], abs=1e-5)
    assert lag_h == pytest.approx(expected[2], abs=1e-3)


def test_soil_temperature_follows_the_published_wave_on_the_summed_series(simulation):
    """Far from the frost night, the daily wave at 10 cm is 0.426 of the surface's and 3.3 h later, at 30 cm 0.077."""
    hours = np.arange(END_H - 40 * 24, END_H - 30 * 24, dtype=float)

    def mean_day(depth_m):
        series = soil_temperature_degc(simulation.weather, FIELD_SITE.climate, hours, depth_m)
        # A day's running mean taken away leaves the daily wave.
        drift = np.convolve(series, np.ones(24) / 24, mode="valid")
        daily = (series[12 : 12 + len(drift)] - drift)[: 9 * 24].reshape(9, 24).mean(axis=0)
        wave = np.fft.rfft(daily)[1]
        return abs(wave), -np.angle(wave) * 24 / (2 * np.pi)

    (surface, crest), (upper, upper_crest), (lower, _) = mean_day(0.0), mean_day(0.10), mean_day(0.30)
    assert upper / surface == pytest.approx(0.426232, rel=0.1)
    assert lower / surface == pytest.approx(0.077435, rel=0.1)
    assert (upper_crest - crest) % 24 == pytest.approx(3.257, abs=0.2)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**31))
def test_one_frost_night_in_the_last_ten_days_reaches_the_shallow_probes(seed):
    """Every seed has exactly one night at or under 0 degC in the air, and soil at 5 cm freezes in that night."""
    weather = Weather(seed, END_H)
    hours = np.arange(END_H - 240, END_H)
    for site in (site for site in SITES if site.climate.rain_factor):
        nights = {(hour + 12) // 24 for hour in hours[air_temperature_degc(weather, site.climate, hours) <= 0.0]}
        assert nights == {int(weather.frost_hour(site.climate) + 12) // 24}, site.site
    vineyard = VINEYARD.climate
    frozen = hours[soil_temperature_degc(weather, vineyard, hours, 0.05) <= 0.0]
    assert len(frozen)
    assert np.abs(frozen - weather.frost_hour(vineyard)).max() < 14


# --- soil water -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("site", SITES, ids=lambda site: site.site)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_water_stays_between_residual_and_saturation(site, seed):
    weather = Weather(seed, END_H)
    bucket = WaterBucket(weather, site.climate, site.ground, END_H - 105 * 24)
    layers = bucket.layers_m3_m3(END_H + 20 * 24)
    assert layers.shape == (125 * 24 + 1, 4)
    assert layers.min() >= site.ground.soil.residual
    assert layers.max() <= site.ground.soil.saturation


@pytest.mark.parametrize("site", [FIELD_SITE, LAWN], ids=lambda site: site.texture)
def test_a_storm_wets_the_soil_well_above_field_capacity_and_three_dry_days_bring_it_back(simulation, site):
    """That a soil drains to its field capacity (Saxton & Rawls 2006) in some three days is common practice."""
    hours = np.arange(END_H - 16 * 24, END_H - 9 * 24)
    vwc = simulation.buckets[site.site].vwc_m3_m3(hours, 10.0)
    rain = simulation.weather.rain_mm(site.climate, hours)
    peak = int(vwc.argmax())
    assert rain.sum() > 30.0
    assert vwc[peak] > site.ground.soil.field_capacity + 0.06
    assert vwc[peak + 72] == pytest.approx(site.ground.soil.field_capacity, abs=0.03)


def test_between_waterings_the_field_dries_by_a_few_percent(simulation):
    """Every spell of four days without water takes 0.5 to 6 % of volume out of the root zone."""
    hours = np.arange(END_H - HISTORY_DAYS * 24, END_H)
    vwc = simulation.buckets[FIELD_SITE.site].vwc_m3_m3(hours, 15.0)
    steps = np.diff(vwc)
    falls = [
        vwc[start] - vwc[start + 96]
        for start in range(0, len(vwc) - 96, 24)
        if (steps[start : start + 96] <= 1e-4).all() and vwc[start] < 0.31
    ]
    assert len(falls) > 3
    assert min(falls) > 0.005
    assert max(falls) < 0.06


# --- calibration backwards --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("theta", "permittivity"),
    [(0.003234, 2.0), (0.055275, 4.0), (0.188300, 10.0), (0.345400, 20.0), (0.510200, 40.0), (0.770900, 70.0)],
)
def test_topp_inverse_agrees_with_the_published_polynomial(theta, permittivity):
    """Topp, Davis & Annan 1980, theta(K), tabulated to 1e-6."""
    assert permittivity_from_vwc_topp(np.array([theta]))[0] == pytest.approx(permittivity, abs=2e-4)


@given(permittivity=st.floats(1.0, 81.0))
def test_topp_inverse_round_trip(permittivity):
    theta = np.polynomial.polynomial.polyval(permittivity, TOPP_1980)
    assert permittivity_from_vwc_topp(np.array([theta]))[0] == pytest.approx(permittivity, abs=1e-6)


def test_a_polynomial_that_turns_back_has_no_inverse():
    with pytest.raises(ValueError, match=r"expected a polynomial that increases over \[0\.0, 1\.0\], got"):
        InversePolynomial((0.0, 1.0, -1.0), (0.0, 1.0))


@pytest.mark.parametrize("curve", TRANSDUCER_CURVES.values(), ids=lambda curve: curve.id)
def test_transducer_curves_run_from_air_to_water(curve):
    """Permittivity about 1 in air and 80 in water at 20 degC (Malmberg & Maryott 1956: 80.1)."""
    assert np.polynomial.polynomial.polyval([0.0, 1.0], curve.coefficients) == pytest.approx([1.0, 80.1], abs=0.1)
    assert curve.inverse()(np.array([1.0, 80.0])) == pytest.approx([0.0, 1.0], abs=0.002)


# --- repeatable draws -------------------------------------------------------------------------------------------


@given(seed=st.integers(0, 2**31), index=st.lists(st.integers(-(2**40), 2**40), min_size=2, max_size=20))
def test_draws_depend_on_their_index_alone(seed, index):
    key = draws.stream(seed, "any")
    together = draws.uniform(key, np.array(index))
    alone = [float(draws.uniform(key, np.array([i]))[0]) for i in reversed(index)]
    assert together.tolist() == alone[::-1]
    assert (together >= 0.0).all()
    assert (together < 1.0).all()
