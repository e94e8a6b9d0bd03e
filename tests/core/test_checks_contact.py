"""Contact: tilted, or out of the soil. Hourly samples at 20 cm, where 16 K at the surface leave 4.15 K a day."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.checks.contact import check_contact
from loamline_schemas.limits import Limits
from tests.core.series_builder import in_order, make_limits, make_series, some_rows, words

DAMPING = Path(__file__).parents[1] / "published" / "soil_temperature_damping.csv"
AIR = 1.02


def contact(*, limits=None, **columns):
    series = make_series(**columns)
    return words(check_contact(series, make_limits(series, **(limits or {}))))


def test_an_upright_probe_in_soil_passes():
    assert contact(n=3) == "..."


def test_a_tilted_probe_is_suspect():
    assert contact(tilted=[0, 1, None]) == ".s."


def test_tilt_alone_speaks_where_there_is_no_figure():
    assert contact(permittivity=None, relative_count=None, tilted=[0, 1, None]) == ".s?"


def test_a_fault_code_is_missing_unless_the_probe_says_that_it_is_tilted():
    assert contact(moisture_fault=[True, True], tilted=[0, 1]) == "-s"


def test_nobody_said_that_an_unplaced_probe_is_in_the_soil():
    assert contact(permittivity=AIR, tilted=[0, 1], depth_cm=None) == "??"


# --- air ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("permittivity", "flag"), [(1.5, "s"), (np.nextafter(1.5, 2), "."), (2.5, ".")])
def test_up_to_the_permittivity_of_air_it_is_suspect_and_oven_dry_soil_passes(permittivity, flag):
    assert contact(permittivity=[permittivity]) == flag


def test_a_count_under_the_records_count_in_air_is_air_though_it_has_no_permittivity():
    assert contact(permittivity=None, relative_count=[-0.002]) == "s"
    assert contact(relative_count=[0.0]) == "."


def test_a_transducer_that_died_in_the_ground_is_suspect_and_does_not_fail():
    """The temperature goes on as the soil's."""
    assert contact(permittivity=[AIR] * 48, temperature=12 + 2 * np.sin(np.arange(48) / 4)) == "s" * 48


def test_a_pulled_out_probe_fails_from_its_first_sample_in_air_once_the_swing_is_seen():
    out = np.arange(96) >= 40
    degc = np.where(out, 12 + 6 * np.sin((np.arange(96) - 40) / 24 * 2 * np.pi), 12.0)
    permittivity = np.where(out, AIR, 12.0)
    assert contact(permittivity=permittivity, temperature=degc) == "." * 40 + "F" * 56
    early = slice(0, 43)
    assert contact(permittivity=permittivity[early], temperature=degc[early]) == "." * 40 + "sss"


def test_a_soils_own_swing_condemns_no_single_low_figure():
    """5 cm under a bare summer soil: the swing counts among samples in air alone."""
    permittivity = np.full(48, 6.0)
    permittivity[[5, 30]] = AIR
    degc = 25 + 10 * np.sin(np.arange(48) / 24 * 2 * np.pi)
    assert contact(permittivity=permittivity, temperature=degc, depth_cm=5).replace(".", "") == "ss"


@pytest.mark.parametrize("depth_cm", [5, 10, 20, 30])
def test_the_swing_that_a_depth_lets_through_is_the_published_damping(depth_cm):
    """van Wijk & de Vries 1963, amplitude ratios COMPUTED to 1e-6; never under 3 K."""
    rows = csv.DictReader(DAMPING.read_text().splitlines())
    (ratio,) = (
        float(row["amplitude_ratio_to_surface"])
        for row in rows
        if (row["thermal_diffusivity_m2_s"], row["cycle"]) == ("8.0e-07", "diurnal")
        if float(row["depth_m"]) * 100 == depth_cm
    )
    most = max(Limits().contact_surface_swing_k * ratio, Limits().contact_least_swing_k)
    for swing, flag in ((most - 1e-4, "ss"), (most + 1e-4, "FF")):
        assert contact(permittivity=[AIR, AIR], temperature=[10.0, 10.0 + swing], depth_cm=depth_cm) == flag


def test_deeper_than_the_daily_wave_reaches_it_takes_more_than_a_change_of_weather():
    assert contact(permittivity=[AIR] * 2, temperature=[10.0, 13.0], depth_cm=100) == "ss"
    assert contact(permittivity=[AIR] * 2, temperature=[10.0, 13.01], depth_cm=100) == "FF"


@pytest.mark.parametrize(("apart_h", "flags"), [(24, "FF"), (24.001, "ss")])
def test_it_looks_exactly_a_day_back_and_forward(apart_h, flags):
    assert contact(permittivity=[AIR, AIR], temperature=[5.0, 25.0], hours=[0, apart_h]) == flags


def test_another_probe_or_placement_lends_no_swing():
    assert contact(permittivity=[AIR, AIR], temperature=[5.0, 25.0], series=[0, 1], hours=[0, 0]) == "ss"
    assert contact(permittivity=[AIR] * 3, temperature=[5, 5, 25.0], placement=[4, 4, 5]) == "sss"
    assert contact(permittivity=[AIR] * 3, temperature=[5, 15, 25.0], placement=[4, 5, 4]) == "sss"


def test_a_missing_temperature_shows_no_swing():
    assert contact(permittivity=[AIR, AIR, AIR], temperature=[5.0, None, 25.0]) == "FsF"
    assert contact(permittivity=[AIR, AIR], temperature=[None, 25.0]) == "ss"


def test_no_samples_have_no_flags():
    assert contact(n=0) == ""


def test_the_damping_depth_is_that_of_the_published_table():
    """0.14833 m a day at 8e-7 m2/s."""
    assert math.sqrt(Limits().contact_diffusivity_m2_s * 86400 / math.pi) == pytest.approx(0.14833, abs=5e-6)


# --- the set of samples alone -------------------------------------------------------------------------------------

samples = st.lists(
    st.tuples(
        st.integers(0, 2),
        st.integers(0, 1),
        st.sampled_from([0.5, 1.0, 1.0, 3.0, 11.0]),
        st.sampled_from([AIR, AIR, 1.5, 12.0, None]),
        st.sampled_from([4.0, 6.0, 9.0, 14.0, None]),
    ),
    min_size=1,
    max_size=40,
)
REACH_H = 6


def judged(series):
    return words(check_contact(series, make_limits(series, contact_window_hours=REACH_H)))


def drawn(rows):
    number, place, steps, permittivity, degc = zip(*sorted(rows, key=lambda row: row[0]), strict=True)
    return make_series(
        series=number, placement=place, hours=np.cumsum(steps), permittivity=permittivity, temperature=degc
    )


@settings(max_examples=80, deadline=None)
@given(rows=samples, data=st.data())
def test_the_order_in_which_samples_came_changes_nothing(rows, data):
    series = drawn(rows)
    shuffled = some_rows(series, np.array(data.draw(st.permutations(range(len(rows))))))
    assert judged(some_rows(shuffled, in_order(shuffled))) == judged(series)


@settings(max_examples=80, deadline=None)
@given(rows=samples, data=st.data())
def test_a_batch_that_reaches_back_and_forward_over_the_window_is_judged_as_the_whole(rows, data):
    series = drawn(rows)
    row = data.draw(st.integers(0, len(rows) - 1))
    hours = (series.measured_at_us - series.measured_at_us[row]) / 3.6e9
    near = np.flatnonzero((series.series == series.series[row]) & (np.abs(hours) <= REACH_H))
    assert judged(some_rows(series, near))[int(np.flatnonzero(near == row)[0])] == judged(series)[row]
