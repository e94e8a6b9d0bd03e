"""How long a LoRa packet is on the air: columns in, columns out.

Source: Semtech SX1276/77/78/79 data sheet, section 4.1.1.7, and AN1200.13. With SF the spreading factor, BW the
bandwidth, PL the bytes of the PHY payload, IH 1 for an implicit header, CRC 1 where there is one, DE 1 with low data
rate optimisation and CR 1 to 4 for 4/5 to 4/8:

    symbol time  = 2^SF / BW
    preamble     = (preamble symbols + 4.25) symbol times
    payload      = 8 + max(ceil((8 PL - 4 SF + 28 + 16 CRC - 20 IH) / (4 (SF - 2 DE))) (CR + 4), 0) symbols
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from loamline.core.columns import Bools, Floats, Ints

#: The spreading factors that LoRaWAN uses with this formula; 5 and 6 have a longer preamble and other headers.
SPREADING_FACTORS = range(7, 13)
CODING_RATES = ("4/5", "4/6", "4/7", "4/8")
#: LoRaWAN: 8 symbols of preamble in every region (RP002), explicit header, CRC on uplinks.
PREAMBLE_SYMBOLS = 8
#: LoRaWAN 1.0.3 section 4: MHDR 1, DevAddr 4, FCtrl 1, FCnt 2, FPort 1 and MIC 4 bytes round the FRMPayload.
FRAME_BYTES = 13
#: Symbols longer than this need low data rate optimisation (SX1276 data sheet).
_LONGEST_PLAIN_SYMBOL_MS = 16.0


def symbol_time_ms(spreading_factor: ArrayLike, bandwidth_hz: ArrayLike) -> Floats:
    """Return the time of one symbol, ms; NaN where either is unknown."""
    return np.asarray(1e3 * 2.0 ** np.asarray(spreading_factor, float) / np.asarray(bandwidth_hz, float))


def needs_low_data_rate_optimisation(spreading_factor: ArrayLike, bandwidth_hz: ArrayLike) -> Bools:
    """Return where a symbol lasts over 16 ms: SF11 and 12 at 125 kHz, SF12 at 250 kHz."""
    return np.asarray(symbol_time_ms(spreading_factor, bandwidth_hz) > _LONGEST_PLAIN_SYMBOL_MS)


def payload_symbols(
    phy_payload_bytes: ArrayLike,
    spreading_factor: ArrayLike,
    coding_rate: ArrayLike = 1,
    *,
    low_data_rate: ArrayLike = False,
    implicit_header: bool = False,
    crc: bool = True,
) -> Floats:
    """Return the symbols after the preamble: header, PHY payload and CRC; `coding_rate` 1 to 4 for 4/5 to 4/8."""
    factor = np.asarray(spreading_factor, float)
    bits = 8.0 * np.asarray(phy_payload_bytes, float) - 4.0 * factor + 28.0 + 16.0 * crc - 20.0 * implicit_header
    blocks = np.ceil(bits / (4.0 * (factor - 2.0 * np.asarray(low_data_rate, float))))
    return np.asarray(8.0 + np.maximum(blocks * (np.asarray(coding_rate, float) + 4.0), 0.0))


def time_on_air_ms(
    phy_payload_bytes: ArrayLike,
    spreading_factor: ArrayLike,
    bandwidth_hz: ArrayLike,
    coding_rate: ArrayLike = 1,
    *,
    preamble_symbols: float = PREAMBLE_SYMBOLS,
    implicit_header: bool = False,
    crc: bool = True,
    low_data_rate: ArrayLike | None = None,
) -> Floats:
    """Return how long each packet is on the air, ms, in the shape that the columns have together.

    `phy_payload_bytes` count the whole PHY payload; a LoRaWAN uplink has `FRAME_BYTES` more than its FRMPayload.
    Without `low_data_rate` it is on where the data sheet asks for it. NaN where something is, or SF is not 7 to 12.
    """
    factor = np.asarray(spreading_factor, float)
    factor = np.where((factor >= SPREADING_FACTORS[0]) & (factor <= SPREADING_FACTORS[-1]), factor, np.nan)
    if low_data_rate is None:
        low_data_rate = needs_low_data_rate_optimisation(factor, bandwidth_hz)
    symbols = payload_symbols(
        phy_payload_bytes, factor, coding_rate, low_data_rate=low_data_rate, implicit_header=implicit_header, crc=crc
    )
    return np.asarray((preamble_symbols + 4.25 + symbols) * symbol_time_ms(factor, bandwidth_hz))


def coding_rate_numbers(index: Ints, names: list[str | None]) -> Floats:
    """Return 1 to 4 for each row from a dictionary-encoded column of "4/5" to "4/8"; NaN for anything else."""
    known = {name: float(at + 1) for at, name in enumerate(CODING_RATES)}
    numbers = np.array([known.get(name or "", np.nan) for name in names] + [np.nan])
    return np.asarray(numbers[index])
