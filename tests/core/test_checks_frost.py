"""Frost: ice is not seen as water, so frozen soil reads falsely dry. Letters: `.` pass, `s` suspect, `F` fail, `-`."""

import numpy as np
import pytest

from loamline.core.checks.frost import check_frost
from tests.core.series_builder import make_limits, make_series, words


def frosted(*temperature, frozen_before=False, limits=None, **columns):
    series = make_series(temperature=list(temperature), **columns)
    before = np.full(len(temperature), frozen_before)
    return check_frost(series, make_limits(series, **(limits or {})), before)


def frost(*temperature, **told):
    return words(frosted(*temperature, **told).flag)


def test_a_soil_above_freezing_passes():
    assert frost(5.0, 0.6, 12.0) == "..."


@pytest.mark.parametrize("temperature", [0.0, -0.01, -8.0])
def test_at_or_under_the_freezing_point_it_fails(temperature):
    assert frost(temperature) == "F"


@pytest.mark.parametrize("temperature", [0.01, 0.5])
def test_within_the_thermistors_tolerance_above_freezing_it_is_suspect(temperature):
    assert frost(5.0, temperature) == ".s"


def test_just_over_the_tolerance_it_passes():
    assert frost(np.nextafter(0.5, 1.0)) == "."


def test_a_frost_keeps_its_verdict_until_a_full_thaw():
    """0.3 degC before the frost is suspect; after it, the ice may still be there."""
    assert frost(2.0, 0.3, -0.5, 0.3, 0.5, 0.6, 0.3) == ".sFFF.s"


def test_a_missing_temperature_is_missing_and_thaws_nothing():
    assert frost(2.0, None, -1.0, None, 0.3, 1.0) == ".-F-F."


def test_limits_say_where_freezing_begins_and_how_far_the_thermistor_may_be_off():
    """Salty soil freezes lower."""
    limits = {"frost_at_degc": -1.0, "frost_tolerance_k": 0.25}
    assert frost(-0.5, -0.75, -1.0, -0.8, -0.7, limits=limits) == ".sFF."


def test_no_tolerance_knows_no_suspect():
    assert frost(0.1, 0.0, 0.1, limits={"frost_tolerance_k": 0.0}) == ".F."


def test_one_probes_frost_does_not_freeze_the_next():
    assert frost(2.0, -1.0, 0.3, 0.3, 2.0, series=[0, 0, 1, 1, 2]) == ".Fss."


# --- a window of history ------------------------------------------------------------------------------------------


def test_what_was_frozen_before_the_window_stays_so_until_a_full_thaw():
    assert frost(0.3, None, 0.4, 1.0, 0.3, frozen_before=True) == "F-F.s"


def test_the_state_before_the_window_yields_to_the_series_own_temperature():
    assert frost(2.0, 0.3, frozen_before=True) == ".s"


def test_it_tells_which_samples_settle_the_state():
    told = frosted(0.3, None, 1.0, 0.3, -1.0)
    assert told.decided.tolist() == [False, False, True, False, True]


def test_every_series_carries_its_own_state_in():
    series = make_series(temperature=[0.3, 0.3, 0.3], series=[0, 1, 1])
    told = check_frost(series, make_limits(series), np.array([False, True, True]))
    assert words(told.flag) == "sFF"


def test_no_samples_have_no_flags():
    assert frost() == ""
