"""The sub-bands of Europe's 863 to 870 MHz and how much of an hour a probe may send in each.

Source: ETSI EN 300 220-2 V3.2.1, Table B.1, from quotations of it; the standard itself was not at hand. Common practice
for orientation: what holds where a probe stands is for the local authority to say, and those rules come first. A
band's duty cycle is of any one hour. Other regions have other rules (dwell time, channels), and no budget here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loamline.core.columns import Floats, Ints

#: What every output with a share of budget says of it.
LOCAL_RULES = (
    "Duty cycles are those of ETSI EN 300 220-2 (from quotations) for 863 to 870 MHz, for orientation; "
    "local rules come first."
)


@dataclass(frozen=True)
class SubBand:
    """One band of Table B.1: from `low_hz` up to but without `high_hz`, the share of an hour, and the power."""

    letter: str
    low_hz: int
    high_hz: int
    duty_cycle: float
    erp_mw: float


SUB_BANDS = (
    SubBand("K", 863_000_000, 865_000_000, 0.001, 25),
    SubBand("L", 865_000_000, 868_000_000, 0.01, 25),
    SubBand("M", 868_000_000, 868_600_000, 0.01, 25),
    SubBand("N", 868_700_000, 869_200_000, 0.001, 25),
    SubBand("P", 869_400_000, 869_650_000, 0.1, 500),
    SubBand("Q", 869_700_000, 870_000_000, 0.01, 25),
)


def sub_band_of(frequency_hz: ArrayLike) -> Ints:
    """Return the index in SUB_BANDS of each carrier, same shape; -1 where it lies in none or is NaN."""
    frequency = np.asarray(frequency_hz, float)
    found = np.full(frequency.shape, -1, dtype=np.int64)
    for at, band in enumerate(SUB_BANDS):
        found[(frequency >= band.low_hz) & (frequency < band.high_hz)] = at
    return found


def share_of_budget(airtime_s: ArrayLike, span_s: ArrayLike, duty_cycle: ArrayLike) -> Floats:
    """Return airtime over what the duty cycle allows in a span, 1 for all of it; spans under an hour count as one."""
    return np.asarray(
        np.asarray(airtime_s, float) / (np.maximum(np.asarray(span_s, float), 3600.0) * np.asarray(duty_cycle, float))
    )
