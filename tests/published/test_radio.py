"""Radio figures against published tables: expected signal power and demodulation floors (README.md beside this)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.radio import DEMODULATION_FLOOR_DB, expected_signal_power_dbm, margin_db

HERE = Path(__file__).parent
SIGNAL = list(csv.DictReader((HERE / "lora_expected_signal_power.csv").read_text().splitlines()))
FLOORS = list(csv.DictReader((HERE / "lora_snr_floor_and_sensitivity.csv").read_text().splitlines()))


def signal_dbm(rssi_dbm, snr_db):
    return float(expected_signal_power_dbm(np.array([rssi_dbm], dtype=float), np.array([snr_db], dtype=float))[0])


@pytest.mark.parametrize("row", SIGNAL, ids=lambda row: f"{row['rssi_dBm']} dBm at {row['snr_dB']} dB")
def test_expected_signal_power_of_every_tabulated_reception(row):
    """COMPUTED from the identity that RSSI is signal plus noise; 1e-6 dB."""
    esp_dbm = signal_dbm(float(row["rssi_dBm"]), float(row["snr_dB"]))
    assert esp_dbm == pytest.approx(float(row["esp_dBm"]), abs=1e-6)
    assert esp_dbm - float(row["rssi_dBm"]) == pytest.approx(float(row["esp_minus_rssi_dB"]), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(rssi_dbm=st.floats(-140, -30), snr_db=st.floats(-25, 40))
def test_signal_and_noise_add_up_to_the_rssi_and_stand_apart_by_the_snr(rssi_dbm, snr_db):
    """In milliwatts, so that what is left of the RSSI beside the signal is the noise."""
    all_mw, signal_mw = 10 ** (rssi_dbm / 10), 10 ** (signal_dbm(rssi_dbm, snr_db) / 10)
    noise_mw = all_mw - signal_mw
    assert noise_mw > 0
    assert 10 * np.log10(signal_mw / noise_mw) == pytest.approx(snr_db, abs=1e-6)


def test_at_an_snr_of_0_db_half_of_the_power_is_signal():
    assert signal_dbm(-110, 0) == pytest.approx(-110 - 3.0103, abs=1e-4)


@pytest.mark.parametrize("row", FLOORS, ids=lambda row: f"SF{row['spreading_factor']} {row['bandwidth_kHz']} kHz")
def test_the_demodulation_floor_of_every_spreading_factor(row):
    """SX1276 data sheet: end points -7.5 and -20 dB FOUND, the steps between MEMORY; any bandwidth."""
    assert DEMODULATION_FLOOR_DB[int(row["spreading_factor"])] == float(row["required_snr_dB"])


def test_every_spreading_factor_goes_two_and_a_half_db_deeper():
    assert list(DEMODULATION_FLOOR_DB) == [5, 6, 7, 8, 9, 10, 11, 12]
    floors = [DEMODULATION_FLOOR_DB[factor] for factor in sorted(DEMODULATION_FLOOR_DB)]
    assert np.diff(floors).tolist() == [-2.5] * (len(floors) - 1)


def test_the_margin_is_what_the_snr_has_above_its_floor_and_unknown_without_either():
    told = margin_db(np.array([-10.0, 3.5, np.nan, -1.0, -1.0]), np.array([12.0, 7.0, 9.0, np.nan, 4.0]))
    np.testing.assert_array_equal(told, [10.0, 11.0, np.nan, np.nan, np.nan])
