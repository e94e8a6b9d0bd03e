"""Data rates by region against the published tables of RP002 (README.md beside this says which rows are MEMORY)."""

import csv
from pathlib import Path

import pytest

from loamline.core.lorawan.data_rates import DWELL_400_MS, REGIONS, data_rate

ROWS = list(csv.DictReader((Path(__file__).parent / "lorawan_regional_data_rates.csv").read_text().splitlines()))
DIRECTIONS = {"up": "up", "down": "down", "up+down": "both"}
#: MHDR, FHDR without FOpts, FPort and MIC stand around the payload; M, the MACPayload, has FHDR and FPort of them.
FHDR_AND_FPORT_BYTES = 8


def named(row):
    region, _, dwell = row["region"].partition(" ")
    return region, "400 ms" in dwell


def row_id(row):
    return f"{row['region']} DR{row['data_rate_index']}"


@pytest.mark.parametrize("row", ROWS, ids=row_id)
def test_every_published_row_is_what_the_index_means(row):
    """RP002-1.0.5; exact."""
    region, dwell_400_ms = named(row)
    rate = data_rate(region, int(row["data_rate_index"]), dwell_400_ms=dwell_400_ms)
    assert rate is not None
    lora = row["modulation"] == "LoRa"
    assert rate.spreading_factor == (int(row["spreading_factor"]) if lora else None)
    assert rate.bandwidth_hz == (int(row["bandwidth_kHz"]) * 1000 if lora else None)
    assert rate.max_payload_bytes == int(row["max_application_payload_N_bytes_no_FOpts"])
    assert rate.max_payload_bytes + FHDR_AND_FPORT_BYTES == int(row["max_MACPayload_M_bytes"])
    assert rate.direction == DIRECTIONS[row["direction"]]


def test_no_index_means_anything_that_is_not_published():
    """AU915's 500 kHz rates are published once, for both dwell times."""
    published = {(*named(row), int(row["data_rate_index"])) for row in ROWS}
    published |= {("AU915", True, index) for region, _, index in published if region == "AU915" and index >= 6}
    known = {(region, False, index) for region, table in REGIONS.items() for index in table}
    known |= {(region, True, index) for region, table in DWELL_400_MS.items() for index in table}
    assert known == published
