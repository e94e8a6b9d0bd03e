"""Time on air against published tables: SX1276 data sheet, section 4.1.1.7, and AN1200.13 (README.md beside this)."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from loamline.core.time_on_air import (
    CODING_RATES,
    needs_low_data_rate_optimisation,
    payload_symbols,
    symbol_time_ms,
    time_on_air_ms,
)

HERE = Path(__file__).parent
TOLERANCE_MS = 0.001


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((HERE / name).read_text().splitlines()))


def named(row: dict[str, str]) -> str:
    told = (row["spreading_factor"], row["bandwidth_kHz"], row.get("coding_rate", ""), row["phy_payload_bytes"])
    return "SF{} {} kHz {} {} B".format(*told)


@pytest.mark.parametrize("row", rows("lora_time_on_air.csv"), ids=named)
def test_every_tabulated_packet(row: dict[str, str]) -> None:
    """COMPUTED by the formula FOUND in the data sheet; low data rate optimisation is our own finding, not told."""
    factor, bandwidth = int(row["spreading_factor"]), 1000 * int(row["bandwidth_kHz"])
    optimised = bool(needs_low_data_rate_optimisation(factor, bandwidth))
    assert optimised == (row["low_data_rate_optimize"] == "1")
    assert symbol_time_ms(factor, bandwidth) == pytest.approx(float(row["symbol_time_ms"]), abs=TOLERANCE_MS)
    form = {"implicit_header": row["implicit_header"] == "1", "crc": row["crc_on"] == "1"}
    rate = CODING_RATES.index(row["coding_rate"]) + 1
    length, preamble = int(row["phy_payload_bytes"]), int(row["preamble_symbols"])
    assert payload_symbols(length, factor, rate, low_data_rate=optimised, **form) == float(row["payload_symbols"])
    told = time_on_air_ms(length, factor, bandwidth, rate, preamble_symbols=preamble, **form)
    assert told == pytest.approx(float(row["time_on_air_ms"]), abs=TOLERANCE_MS)


@pytest.mark.parametrize("row", rows("lora_time_on_air_ldro_pairs.csv"), ids=named)
@pytest.mark.parametrize("optimised", [False, True], ids=["without", "with low data rate optimisation"])
def test_low_data_rate_optimisation_takes_two_bits_off_each_symbol(row: dict[str, str], optimised: bool) -> None:
    """COMPUTED by the same formula, DE 0 and 1."""
    told = time_on_air_ms(
        int(row["phy_payload_bytes"]),
        int(row["spreading_factor"]),
        1000 * int(row["bandwidth_kHz"]),
        low_data_rate=optimised,
    )
    assert told == pytest.approx(float(row[f"time_on_air_ms_DE{int(optimised)}"]), abs=TOLERANCE_MS)


@pytest.mark.parametrize("row", rows("lora_time_on_air_coding_rates.csv"), ids=named)
def test_every_coding_rate(row: dict[str, str]) -> None:
    """COMPUTED by the same formula."""
    rate = CODING_RATES.index(row["coding_rate"]) + 1
    factor, bandwidth = int(row["spreading_factor"]), 1000 * int(row["bandwidth_kHz"])
    told = time_on_air_ms(int(row["phy_payload_bytes"]), factor, bandwidth, rate)
    assert told == pytest.approx(float(row["time_on_air_ms"]), abs=TOLERANCE_MS)


def test_bytes_are_those_of_the_phy_payload() -> None:
    """FOUND in a public spreadsheet that cites AN1200.13: 13 bytes, SF9, 125 kHz: 28 symbols, 164.864 ms."""
    assert payload_symbols(13, 9) == 28
    assert time_on_air_ms(13, 9, 125_000) == pytest.approx(164.864, abs=TOLERANCE_MS)
