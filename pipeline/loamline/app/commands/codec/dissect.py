"""`loamline codec dissect`: what one payload says, field by field."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.markup import escape
from rich.table import Table

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.output import console, fail, print_json
from loamline_codecs import Message, Refusal, Sample
from loamline_codecs.dissect import Dissection, Leaf, dissect, label_of
from loamline_codecs.layout_table import spans
from loamline_codecs.quantities import FLAGS

#: How a table writes units that read badly as UCUM codes.
_UNITS = {"1": "", "{count}": "", "Cel": " degC"}

_JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a script instead of a table.")]


def dissect_command(
    payload_hex: Annotated[
        list[str], typer.Argument(metavar="HEX", help="The payload in hex; spaces and 0x are allowed.")
    ],
    port: Annotated[int, typer.Option("--port", "-p", min=0, max=255, help="The LoRaWAN FPort it came on.")],
    as_json: _JsonOption = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Take one payload apart: every field's bytes and bits, raw value and physical value.

    Says why, and leaves with 1, where no codec reads it.
    """
    found = dissect(known_codecs(codec_dir), port, _payload(payload_hex))
    if isinstance(found, Refusal):
        fail(found.detail)
    if as_json:
        print_json(as_object(found))
        return
    console.print(_summary(found), markup=False)
    console.print(_leaf_table(found))
    for fault in found.faults:
        console.print(fault, style="yellow", markup=False)


def as_object(found: Dissection) -> dict[str, Any]:
    """Return a dissection as the object that `--json` prints; null for what the version lacks or a fault code."""
    message = found.message
    told: dict[str, Any] = {
        "codec": message.codec.name,
        "port": found.fport,
        "firmware": message.firmware,
        "supply_v": message.uplink.get("supply_v"),
        "sample_counter": _whole(message.uplink.get("sample_counter")),
    }
    told |= {name: _yes_or_no(message.uplink.get(name)) for name in ("tilted", "cold_start", "supply_low")}
    told["samples"] = [_sample(sample) for sample in message.samples]
    told["faults"] = list(found.faults)
    if message.codec.message == "status":
        told["reset_cause"] = label_of(message, "reset_cause")
        for name in ("supply_rest_v", "supply_transmit_v"):
            told[name] = message.uplink.get(name)
        for name in ("hours_since_power_up", "transmissions"):
            told[name] = _whole(message.uplink.get(name))
    return told


def _sample(sample: Sample) -> dict[str, Any]:
    return {
        "depth_index": sample.depth_index,
        "age_minutes": sample.age_minutes,
        "moisture_count": _whole(sample.figures.get("moisture_count")),
        "permittivity": sample.figures.get("permittivity"),
        "soil_temperature_degc": sample.figures.get("soil_temperature_degc"),
        "conductivity_ds_m": sample.figures.get("conductivity_ds_m"),
    }


def _whole(figure: float | None) -> int | None:
    return None if figure is None else int(figure)


def _yes_or_no(figure: float | None) -> bool | None:
    return None if figure is None else bool(figure)


def _payload(words: list[str]) -> bytes:
    """Return the bytes that hex digits stand for; leaves with a sentence where they are none."""
    digits = "".join(word.removeprefix("0x").removeprefix("0X") for text in words for word in text.split())
    for place, digit in enumerate(digits, start=1):
        if digit not in "0123456789abcdefABCDEF":
            fail(f"HEX: expected the digits 0-9 and A-F, got {digit!r} as digit {place} of {digits!r}")
    if len(digits) % 2:
        fail(f"HEX: expected two digits a byte, got {len(digits)} digits: {digits!r}")
    return bytes.fromhex(digits)


def _summary(found: Dissection) -> str:
    message: Message = found.message
    what = f"{message.codec.name} on FPort {found.fport}, {len(found.payload)} bytes"
    return what if message.firmware is None else f"{what}, firmware {message.firmware}"


def _leaf_table(found: Dissection) -> Table:
    caption = "Bits count from 7, the most significant of a byte, down to 0."
    table = Table(box=SIMPLE_HEAD, caption=caption, caption_justify="left")
    for heading in ("byte", "bit", "field", "hex", "raw", "physical"):
        table.add_column(
            heading,
            no_wrap=heading not in ("bit", "field", "physical"),
            overflow="fold",
            justify="right" if heading == "raw" else "left",
        )
    for leaf in found.leaves:
        first, last = leaf.byte_range
        table.add_row(
            *spans(leaf.first_bit, leaf.bits),
            escape(leaf.path),
            found.payload[first : last + 1].hex(" "),
            "" if leaf.raw is None else str(leaf.raw),
            escape(_meaning(leaf)),
        )
    return table


def _meaning(leaf: Leaf) -> str:
    if leaf.reserved:
        return "reserved, ignored"
    if leaf.quantity in FLAGS:
        return "yes" if leaf.physical else "no"
    if leaf.physical is None:
        return leaf.note or ""
    if leaf.note is not None and leaf.quantity == "reset_cause":
        return leaf.note
    figure = f"{leaf.physical:.10g}{_UNITS.get(leaf.unit or '', f' {leaf.unit}')}"
    return figure if leaf.note is None else f"{figure} ({leaf.note})"
