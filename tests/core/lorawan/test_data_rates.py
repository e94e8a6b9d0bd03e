"""Which region a name means, and what has no row; the rows themselves are checked in tests/published."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.lorawan.data_rates import DWELL_400_MS, REGIONS, DataRate, data_rate, region_named
from loamline.core.radio import DEMODULATION_FLOOR_DB


def test_an_index_means_another_thing_in_another_region():
    assert data_rate("EU868", 3) == DataRate(9, 125_000, 115)
    assert data_rate("US915", 3) == DataRate(7, 125_000, 242, "up")


@pytest.mark.parametrize(
    ("name", "region"),
    [
        ("EU868", "EU868"),
        ("eu863-870", "EU868"),
        ("US902", "US915"),
        ("Australia915", "AU915"),
        ("AS923-2", "AS923"),
        ("IN865", "IN865"),
        ("KR920", None),
        ("", None),
    ],
)
def test_a_region_goes_by_the_names_that_the_standards_give_it(name, region):
    """RP002's channel plans and TS002's RFRegion; MEMORY."""
    assert region_named(name) == region


@pytest.mark.parametrize(("region", "index"), [("KR920", 0), ("EU868", 8), ("EU868", -1), ("IN865", 6), ("US915", 7)])
def test_what_has_no_row_is_nothing_rather_than_a_guess(region, index):
    assert data_rate(region, index) is None


def test_fsk_has_neither_a_spreading_factor_nor_a_lora_bandwidth():
    assert data_rate("EU868", 7) == DataRate(None, None, 242)


def test_a_limit_on_the_dwell_time_shortens_payloads_and_forbids_the_slowest_rates():
    assert data_rate("AS923", 2, dwell_400_ms=True) == DataRate(10, 125_000, 11)
    assert data_rate("AS923", 0, dwell_400_ms=True) is None


@pytest.mark.parametrize("region", DWELL_400_MS)
def test_a_limit_on_the_dwell_time_lengthens_nothing_and_changes_no_modulation(region):
    for index, limited in DWELL_400_MS[region].items():
        free = REGIONS[region][index]
        assert limited.max_payload_bytes <= free.max_payload_bytes
        assert (limited.spreading_factor, limited.bandwidth_hz) == (free.spreading_factor, free.bandwidth_hz)


@given(region=st.sampled_from(sorted(REGIONS)), index=st.integers(0, 15), dwell_400_ms=st.booleans())
def test_every_lora_rate_has_a_demodulation_floor(region, index, dwell_400_ms):
    rate = data_rate(region, index, dwell_400_ms=dwell_400_ms)
    assert rate is None or rate.spreading_factor is None or rate.spreading_factor in DEMODULATION_FLOOR_DB


@pytest.mark.parametrize("region", REGIONS)
def test_a_faster_rate_of_one_direction_and_bandwidth_carries_no_less(region):
    for direction in ("up", "down", "both"):
        for bandwidth_hz in (125_000, 500_000):
            rates = [
                rate
                for _, rate in sorted(REGIONS[region].items())
                if rate.direction == direction and rate.bandwidth_hz == bandwidth_hz
            ]
            assert [rate.spreading_factor for rate in rates] == sorted(
                (rate.spreading_factor for rate in rates), reverse=True
            )
            sizes = [rate.max_payload_bytes for rate in rates]
            assert sizes == sorted(sizes)
