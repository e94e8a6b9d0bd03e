"""`loamline radio airtime`: how long one packet is on the air, and what share of an hour's budget that is."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.output import CommandError, console, print_json
from loamline.core.subbands import LOCAL_RULES, SUB_BANDS, share_of_budget, sub_band_of
from loamline.core.time_on_air import (
    CODING_RATES,
    FRAME_BYTES,
    PREAMBLE_SYMBOLS,
    needs_low_data_rate_optimisation,
    payload_symbols,
    symbol_time_ms,
    time_on_air_ms,
)

#: A LoRa packet's length is one byte.
_MOST_BYTES = 255


def coding_rate(text: str) -> str:
    """Return a coding rate of LoRa; typer.BadParameter else."""
    if text not in CODING_RATES:
        raise typer.BadParameter(f"expected one of {', '.join(CODING_RATES)}, got {text!r}")
    return text


def airtime_command(
    spreading_factor: Annotated[int, typer.Option("--sf", min=7, max=12, help="spreading factor")],
    phy_bytes: Annotated[
        int | None,
        typer.Option("--bytes", min=0, max=_MOST_BYTES, help=f"of the PHY payload: FRMPayload and {FRAME_BYTES} more"),
    ] = None,
    frm_bytes: Annotated[
        int | None,
        typer.Option(
            "--frm-bytes", min=0, max=_MOST_BYTES - FRAME_BYTES, help="of the FRMPayload, in place of --bytes"
        ),
    ] = None,
    bandwidth_hz: Annotated[
        int, typer.Option("--bandwidth", metavar="HZ", min=7_800, max=500_000, help="of the channel")
    ] = 125_000,
    coding: Annotated[
        str,
        typer.Option("--coding-rate", parser=coding_rate, metavar="4/5..4/8", help="of the forward error correction"),
    ] = "4/5",
    preamble: Annotated[int, typer.Option("--preamble", min=6, max=65_535, help="symbols")] = PREAMBLE_SYMBOLS,
    implicit_header: Annotated[bool, typer.Option("--implicit-header", help="no header, as a beacon has none")] = False,
    crc: Annotated[bool, typer.Option("--crc/--no-crc", help="uplinks have one, downlinks none")] = True,
    low_data_rate: Annotated[
        bool | None,
        typer.Option(
            "--low-data-rate/--no-low-data-rate",
            help="low data rate optimisation",
            show_default="where a symbol lasts over 16 ms",
        ),
    ] = None,
    frequency_hz: Annotated[
        int | None, typer.Option("--frequency", metavar="HZ", help="carrier, for its share of an hour's duty cycle")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print one object")] = False,
) -> None:
    """Tell the time on air of one LoRa packet, in ms (SX1276 data sheet, section 4.1.1.7).

    Bytes are those of the whole PHY payload: a LoRaWAN uplink has 13 round its FRMPayload, and its MAC commands. The
    rest is LoRaWAN's own unless told otherwise: 8 symbols of preamble, an explicit header, a CRC.

    With --frequency, the share of an hour's duty cycle by ETSI EN 300 220-2 (863 to 870 MHz); local rules come first.
    """
    if (phy_bytes is None) == (frm_bytes is None):
        raise CommandError(
            f"expected one of --bytes and --frm-bytes, got {'neither' if phy_bytes is None else 'both'}", 2
        )
    length = phy_bytes if phy_bytes is not None else (frm_bytes or 0) + FRAME_BYTES
    rate = CODING_RATES.index(coding) + 1
    optimised = low_data_rate
    if optimised is None:
        optimised = bool(needs_low_data_rate_optimisation(spreading_factor, bandwidth_hz))
    milliseconds = float(
        time_on_air_ms(
            length,
            spreading_factor,
            bandwidth_hz,
            rate,
            preamble_symbols=preamble,
            implicit_header=implicit_header,
            crc=crc,
            low_data_rate=optimised,
        )
    )
    symbols = payload_symbols(
        length, spreading_factor, rate, low_data_rate=optimised, implicit_header=implicit_header, crc=crc
    )
    told = {
        "milliseconds": round(milliseconds, 6),
        "phy_payload_bytes": length,
        "spreading_factor": spreading_factor,
        "bandwidth_hz": bandwidth_hz,
        "coding_rate": coding,
        "preamble_symbols": preamble,
        "payload_symbols": int(symbols),
        "symbol_time_ms": float(symbol_time_ms(spreading_factor, bandwidth_hz)),
        "implicit_header": implicit_header,
        "crc": crc,
        "low_data_rate_optimisation": optimised,
    }
    if frequency_hz is not None:
        told |= _budget(frequency_hz, milliseconds / 1e3)
    if as_json:
        print_json(told)
        return
    console.print(
        f"{milliseconds:.3f} ms on air: {length} bytes of PHY payload, SF{spreading_factor}, "
        f"{bandwidth_hz / 1e3:g} kHz, {coding}; "
        f"{preamble} + 4.25 + {symbols:g} symbols of {told['symbol_time_ms']:g} ms",
        soft_wrap=True,
    )
    if told.get("sub_band"):
        share = told["share_of_hour"]
        console.print(
            f"{100 * float(str(share)):.3g} % of an hour's budget in sub-band {told['sub_band']}. {LOCAL_RULES}"
        )
    elif frequency_hz is not None:
        console.print(f"{frequency_hz / 1e6:g} MHz lies in no sub-band known here. {LOCAL_RULES}", soft_wrap=True)


def _budget(frequency_hz: int, airtime_s: float) -> dict[str, str | float | None]:
    at = int(sub_band_of(frequency_hz))
    if at < 0:
        return {"sub_band": None, "duty_cycle": None, "share_of_hour": None, "note": LOCAL_RULES}
    band = SUB_BANDS[at]
    share = float(share_of_budget(airtime_s, 3600.0, band.duty_cycle))
    return {"sub_band": band.letter, "duty_cycle": band.duty_cycle, "share_of_hour": share, "note": LOCAL_RULES}
