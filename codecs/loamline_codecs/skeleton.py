"""The text of a new codec: a commented declaration to change, and golden cases that it already passes.

Text only; `loamline codec new` writes the files.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loamline_codecs.codec_set import CodecSet
from loamline_codecs.golden import Case, written_case

#: What a codec may be called: it names a file, a folder, and every reading that it made.
NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")

_DECLARATION = '''\
"""@WHAT@, payload version @VERSION@: fixed, big-endian, 11 bytes, one depth.

byte    0         1          2   3       4   5        6   7      8            9   10
      +---------+----------+-----------+------------+----------+------------+-----------+
      | version | flags    | moisture  | soil       | supply   | firmware   | sample    |
      | @BYTE@    |          | count     | temperature| voltage  | maj | min  | counter   |
      +---------+----------+-----------+------------+----------+------------+-----------+
flags: bit 7 tilted, bit 6 supply low, bits 5 to 0 reserved.

An example to change: draw your own bytes above, then make the layout say the same. After each change:
@CHECK@
"""

from construct import BitStruct, Const, Flag, Int8ub, Int16sb, Int16ub, Nibble, Padding, Struct

from loamline_codecs.declaration import Codec, Match, Quantity, SampleGroup

CODEC = Codec(
    # Every reading cites this name. A released version's meaning never changes: a new one is a new file.
    name="@NAME@",
    description="One depth, fixed length: an example to be replaced by what this firmware sends.",
    # "measurement" carries samples, "status" tells how the probe itself is.
    message="measurement",
    # Which messages are read: the LoRaWAN FPort, and the leading bits of byte 0. No other codec may claim the same.
    match=Match(fport=@FPORT@, leading_bits=8, value=@BYTE@),
    # Raw values, in the order of the bytes. "ub" is unsigned and big-endian, "sl" would be signed and little-endian.
    layout=Struct(
        # A constant refuses whatever is not of this version.
        "payload_version" / Const(@BYTE@, Int8ub),
        # Single bits, the most significant first. Reserved bits are named too: every bit is accounted for.
        "flags" / BitStruct("tilted" / Flag, "supply_low" / Flag, "reserved" / Padding(6)),
        "moisture_count" / Int16ub,
        "soil_temperature" / Int16sb,
        "supply_voltage" / Int16ub,
        "firmware" / BitStruct("major" / Nibble, "minor" / Nibble),
        "sample_counter" / Int16ub,
    ),
    # What the message says as a whole: quantity, field of the layout, unit as a UCUM code. The physical figure is
    # raw * scale + offset, both decimal text, so that 0.001 is exactly that. quantities.py lists the known ones.
    quantities=(
        Quantity("supply_v", "supply_voltage", "V", scale="0.001"),
        Quantity("firmware_major", "firmware.major", "1"),
        Quantity("firmware_minor", "firmware.minor", "1"),
        Quantity("sample_counter", "sample_counter", "{count}"),
        Quantity("tilted", "flags.tilted", "1"),
        Quantity("supply_low", "flags.supply_low", "1"),
    ),
    # What each depth says. More fixed depths are more groups; an array of depths or of older samples is one group
    # with `repeat`: see measurement_v3.py and measurement_v4.py among the built-in codecs.
    samples=(
        SampleGroup(
            depth_index=0,
            quantities=(
                Quantity(
                    "moisture_count",
                    "moisture_count",
                    "{count}",
                    # Raw values that are no figure, and what each means.
                    sentinels={0xFFFF: "transducer fault"},
                    # The raw values that can be meant; others are kept, and the range check fails them.
                    valid=(0, 4095),
                ),
                Quantity(
                    "soil_temperature_degc",
                    "soil_temperature",
                    "Cel",
                    scale="0.01",
                    sentinels={-32768: "thermistor fault"},
                    valid=(-4000, 8500),
                ),
            ),
        ),
    ),
)
'''


@dataclass(frozen=True)
class _Message:
    comment: str
    uplink: Mapping[str, Any]
    sample: Mapping[str, float | None]


_MESSAGES = {
    "ordinary": _Message(
        "An ordinary message: moist soil, 15 degC.",
        {"supply_v": 3.6, "firmware": "1.0", "sample_counter": 42, "tilted": 0, "supply_low": 0},
        {"moisture_count": 1850, "soil_temperature_degc": 15.0},
    ),
    "fault_codes": _Message(
        "Both sensors failed, the probe knocked over, its supply sagging: every fault code and flag.",
        {"supply_v": 2.4, "firmware": "1.0", "sample_counter": 43, "tilted": 1, "supply_low": 1},
        {"moisture_count": None, "soil_temperature_degc": None},
    ),
    "highest_values": _Message(
        "Every field at the highest value that can be meant.",
        {"supply_v": 65.535, "firmware": "15.15", "sample_counter": 65535, "tilted": 1, "supply_low": 1},
        {"moisture_count": 4095, "soil_temperature_degc": 85.0},
    ),
    "lowest_values": _Message(
        "Every field at the lowest value that can be meant.",
        {"supply_v": 0.0, "firmware": "0.0", "sample_counter": 0, "tilted": 0, "supply_low": 0},
        {"moisture_count": 0, "soil_temperature_degc": -40.0},
    ),
}


def file_name(name: str) -> str:
    """Return the Python file's name for a codec's: underscores for hyphens."""
    return f"{name.replace('-', '_')}.py"


def declaration_text(name: str, fport: int, version: int, check: str) -> str:
    """Return the declaration of a codec to start from; `check` is the command that checks it."""
    what = name.removesuffix(f"-v{version}").replace("-", " ")
    filled = {
        "@WHAT@": what[:1].upper() + what[1:],
        "@NAME@": name,
        "@VERSION@": str(version),
        "@BYTE@": f"0x{version:02X}",
        "@FPORT@": str(fport),
        "@CHECK@": check,
    }
    return re.sub("|".join(filled), lambda found: filled[found[0]], _DECLARATION)


def case_texts(codecs: CodecSet, name: str) -> dict[str, str]:
    """Return the golden files of the codec that `declaration_text` declares, by file name; `codecs` hold it."""
    codec = codecs.by_name(name)
    texts = {}
    for situation, message in _MESSAGES.items():
        payload = codec.build(message.uplink, [dict(message.sample)])
        fport, shown = codec.match.fport, payload.hex(" ").upper()
        given = f"# {message.comment}\n\nuplink:\n  port {fport}\n  hex {shown}\n"
        texts[f"{situation}.txt"] = written_case(codecs, Case(given, fport, payload, expected=""))
    return texts
