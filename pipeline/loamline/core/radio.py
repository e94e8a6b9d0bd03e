"""Radio figures of an uplink by published formulas. Arrays or single numbers, float64."""

from __future__ import annotations

import numpy as np

from loamline.core.columns import Floats

#: SX1276 data sheet (Semtech), required SNR by spreading factor, dB; end points found, steps from memory.
DEMODULATION_FLOOR_DB = {5: -2.5, 6: -5.0, 7: -7.5, 8: -10.0, 9: -12.5, 10: -15.0, 11: -17.5, 12: -20.0}


def expected_signal_power_dbm(rssi_dbm: Floats, snr_db: Floats) -> Floats:
    """Return the signal's own power, RSSI + SNR - 10 log10(1 + 10^(SNR/10)), dBm.

    From the identity that RSSI is signal plus noise: ESP = RSSI - 10 log10(1 + 10^(-SNR/10)).
    """
    return np.asarray(rssi_dbm - 10.0 * np.log10(1.0 + 10.0 ** (-snr_db / 10.0)))


def margin_db(snr_db: Floats, spreading_factor: Floats) -> Floats:
    """Return how far the SNR stands above the demodulation floor of its spreading factor, dB; NaN where unknown."""
    floor = np.full(np.shape(spreading_factor), np.nan)
    for factor, db in DEMODULATION_FLOOR_DB.items():
        floor = np.where(spreading_factor == factor, db, floor)
    return np.asarray(snr_db - floor)
