"""Sub-bands of 863 to 870 MHz against ETSI EN 300 220-2 V3.2.1, Table B.1, as quoted in public code."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from loamline.core.subbands import LOCAL_RULES, SUB_BANDS, share_of_budget, sub_band_of

ROWS = list(
    csv.DictReader((Path(__file__).parent / "etsi_en300220_eu868_subbands.csv").read_text().splitlines()),
)
LETTER = "band_letter_EN300220-2_V3.2.1"


@pytest.mark.parametrize("at", range(len(ROWS)), ids=lambda at: ROWS[at][LETTER])
def test_every_sub_band_has_its_edges_duty_cycle_and_power(at) -> None:
    row, band = ROWS[at], SUB_BANDS[at]
    assert len(ROWS) == len(SUB_BANDS)
    assert band.letter == row[LETTER]
    assert (band.low_hz, band.high_hz) == (float(row["freq_low_MHz"]) * 1e6, float(row["freq_high_MHz"]) * 1e6)
    assert 100 * band.duty_cycle == pytest.approx(float(row["max_duty_cycle_pct"]))
    assert band.erp_mw == float(row["max_erp_mW"])
    assert 3600 * band.duty_cycle == pytest.approx(float(row["tx_seconds_per_hour"]))


@pytest.mark.parametrize("at", range(len(ROWS)), ids=lambda at: ROWS[at][LETTER])
def test_a_carrier_belongs_to_the_band_that_it_lies_in(at) -> None:
    """The lower edge counts as within, the upper does not: no channel of 125 kHz stands on either."""
    row = ROWS[at]
    low, high = float(row["freq_low_MHz"]) * 1e6, float(row["freq_high_MHz"]) * 1e6
    assert sub_band_of([low, (low + high) / 2, high - 1]).tolist() == [at] * 3


def test_between_and_beyond_the_bands_there_is_none() -> None:
    """868.65 and 869.3 MHz lie in gaps of the table; 915 MHz is another region's."""
    assert sub_band_of([868.65e6, 869.3e6, 870e6, 862.9e6, 915e6, float("nan")]).tolist() == [-1] * 6


def test_the_whole_of_an_hours_seconds_is_the_whole_budget() -> None:
    for row, band in zip(ROWS, SUB_BANDS, strict=True):
        assert share_of_budget(float(row["tx_seconds_per_hour"]), 3600.0, band.duty_cycle) == pytest.approx(1.0)


def test_a_span_under_an_hour_has_the_budget_of_an_hour() -> None:
    assert share_of_budget(3.6, 60.0, 0.001) == share_of_budget(3.6, 3600.0, 0.001) == pytest.approx(1.0)


def test_who_reads_a_share_is_told_of_local_rules() -> None:
    assert "local rules come first" in LOCAL_RULES
