"""What holds for the time on air of any packet, and for a probe's share of its sub-bands' budgets."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.probe_airtime import airtimes
from loamline.core.time_on_air import coding_rate_numbers, needs_low_data_rate_optimisation, time_on_air_ms

FACTORS = st.integers(7, 12)
BANDWIDTHS = st.sampled_from([125_000, 250_000, 500_000])
LENGTHS = st.integers(0, 254)
RATES = st.integers(1, 4)
HOUR_US = 3_600_000_000


@given(LENGTHS, FACTORS, BANDWIDTHS, RATES)
def test_a_longer_packet_is_never_shorter_on_the_air(length, factor, bandwidth, rate):
    shorter, longer = time_on_air_ms([length, length + 1], factor, bandwidth, rate)
    assert longer >= shorter > 0


@given(LENGTHS, st.integers(7, 11), BANDWIDTHS, RATES)
def test_a_greater_spreading_factor_is_longer_on_the_air(length, factor, bandwidth, rate):
    lesser, greater = time_on_air_ms(length, [factor, factor + 1], bandwidth, rate)
    assert greater > lesser


@given(LENGTHS, FACTORS, BANDWIDTHS, st.integers(1, 3))
def test_more_coding_more_bandwidth_and_no_optimisation_order_as_they_must(length, factor, bandwidth, rate):
    stronger, weaker = time_on_air_ms(length, factor, bandwidth, [rate + 1, rate])
    assert stronger >= weaker
    assert time_on_air_ms(length, factor, 2 * bandwidth, rate, low_data_rate=False) == pytest.approx(
        float(time_on_air_ms(length, factor, bandwidth, rate, low_data_rate=False)) / 2
    )
    with_it, without = time_on_air_ms(length, factor, bandwidth, rate, low_data_rate=[True, False])
    assert with_it >= without


@given(LENGTHS, FACTORS, BANDWIDTHS)
def test_leaving_out_header_and_crc_saves_time_and_a_longer_preamble_costs_it(length, factor, bandwidth):
    whole = time_on_air_ms(length, factor, bandwidth)
    assert time_on_air_ms(length, factor, bandwidth, implicit_header=True) <= whole
    assert time_on_air_ms(length, factor, bandwidth, crc=False) <= whole
    assert time_on_air_ms(length, factor, bandwidth, preamble_symbols=9) > whole


def test_what_is_unknown_or_beyond_the_formula_has_no_time_on_air():
    """SF5 and SF6 have another preamble and header; no bandwidth, no time."""
    told = time_on_air_ms(20, [5, 6, 13, np.nan, 9], [125e3, 125e3, 125e3, 125e3, np.nan])
    assert np.isnan(told).all()


def test_symbols_over_16_ms_need_low_data_rate_optimisation():
    """SX1276 data sheet: SF11 at 125 kHz has 16.384 ms, SF10 8.192 ms, SF12 at 250 kHz 16.384 ms."""
    told = needs_low_data_rate_optimisation([10, 11, 12, 11, 12, 12], [125e3, 125e3, 125e3, 250e3, 250e3, 500e3])
    assert told.tolist() == [False, True, True, False, True, False]


def test_a_coding_rate_is_a_number_from_1_and_anything_else_none():
    told = coding_rate_numbers(np.array([0, 1, -1, 2]), ["4/8", "4/9", "4/5"])
    np.testing.assert_array_equal(told, [4, np.nan, np.nan, 1])


def uplinks(*rows: tuple[int | None, int | None]) -> pa.Table:
    """Return uplinks of SF9, 13 bytes of PHY payload (164.864 ms), by frequency and spreading factor."""
    return pa.table(
        {
            "payload": pa.array([b""] * len(rows), pa.binary()),
            "frequency_hz": pa.array([frequency for frequency, _ in rows], pa.uint32()),
            "spreading_factor": pa.array([factor for _, factor in rows], pa.uint8()),
            "bandwidth_hz": pa.array([125_000] * len(rows), pa.uint32()),
            "coding_rate": pa.array([None] * len(rows), pa.string()),
        }
    )


def test_shares_are_by_sub_band_over_the_probes_span_with_what_was_lost():
    """868.1 MHz is of sub-band M (1 %), 869.525 MHz of P (10 %); six heard of twelve sent in ten hours."""
    rows = [(868_100_000, 9)] * 4 + [(869_525_000, 9)] * 2
    at = np.array([0, 1, 2, 600, 60, 61]) * HOUR_US // 60
    told = airtimes(uplinks(*rows), np.ones(6, np.int64), at, {1: 12})[1]
    assert told.mean_ms == pytest.approx(164.864)
    assert told.interval_s == pytest.approx(36_000 / 11)
    first, second = told.bands
    assert (first.sub_band, first.uplinks, second.sub_band, second.uplinks) == ("M", 4, "P", 2)
    assert first.airtime_s == pytest.approx(4 * 0.164864)
    assert first.share_of_budget == pytest.approx(2 * 4 * 0.164864 / (36_000 * 0.01))
    assert first.busiest_hour_share == pytest.approx(3 * 0.164864 / 36)
    assert second.share_of_budget == pytest.approx(2 * 2 * 0.164864 / (36_000 * 0.1))
    assert second.busiest_hour_share == pytest.approx(2 * 0.164864 / 360)


def test_outside_the_known_bands_there_is_airtime_and_no_budget():
    told = airtimes(uplinks((915_000_000, 9), (None, 9)), np.ones(2, np.int64), np.array([0, HOUR_US]), {1: 2})[1]
    (band,) = told.bands
    assert (band.sub_band, band.uplinks, band.share_of_budget, band.busiest_hour_share) == (None, 2, None, None)


def test_without_a_spreading_factor_there_is_no_airtime():
    told = airtimes(uplinks((868_100_000, None)), np.ones(1, np.int64), np.array([0]), {1: 1})[1]
    assert np.isnan(told.mean_ms)
    assert np.isnan(told.interval_s)
    assert told.bands == []
