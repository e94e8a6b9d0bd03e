"""Measurement, payload version 4: a permittivity profile, 8 + 4N bytes, or 8 + 6N with conductivity.

byte    0             1       2   3      4       5       6   7
      +-------------+-------+----------+-------+-------+----------+
      | version | N | flags | sample   | fw    | fw    | supply   |
      | 4       |   |       | counter  | major | minor | voltage  |
      +-------------+-------+----------+-------+-------+----------+
then N times, index 0 the shallowest; the last field only where flag 3 is set:
      +--------------+-------------+--------------+
      | relative     | soil        | conductivity |
      | permittivity | temperature |              |
      +--------------+-------------+--------------+
"""

from construct import (
    Array,
    BitStruct,
    Const,
    Flag,
    If,
    Int8ul,
    Int16sl,
    Int16ul,
    Nibble,
    Padding,
    Rebuild,
    Struct,
    len_,
    this,
)

from loamline_codecs.declaration import Bound, Codec, Match, Quantity, SampleGroup

CODEC = Codec(
    name="measurement-v4",
    description="One to six depths as relative permittivity, computed in the probe; bulk conductivity where fitted.",
    message="measurement",
    match=Match(fport=10, leading_bits=4, value=4),
    layout=Struct(
        "head" / BitStruct("payload_version" / Const(4, Nibble), "depths" / Rebuild(Nibble, len_(this._.depths))),
        "flags"
        / BitStruct(
            "reserved" / Padding(4),
            "conductivity_present" / Flag,
            "supply_low" / Flag,
            "cold_start" / Flag,
            "tilted" / Flag,
        ),
        "sample_counter" / Int16ul,
        "firmware_major" / Int8ul,
        "firmware_minor" / Int8ul,
        "supply_voltage" / Int16ul,
        "depths"
        / Array(
            this.head.depths,
            Struct(
                "permittivity" / Int16ul,
                "soil_temperature" / Int16sl,
                "conductivity" / If(this._.flags.conductivity_present, Int16ul),
            ),
        ),
    ),
    quantities=(
        Quantity("supply_v", "supply_voltage", "V", scale="0.001"),
        Quantity("firmware_major", "firmware_major", "1"),
        Quantity("firmware_minor", "firmware_minor", "1"),
        Quantity("sample_counter", "sample_counter", "{count}"),
        Quantity("tilted", "flags.tilted", "1"),
        Quantity("cold_start", "flags.cold_start", "1"),
        Quantity("supply_low", "flags.supply_low", "1"),
    ),
    samples=(
        SampleGroup(
            repeat="depths",
            depth_index=None,
            quantities=(
                Quantity("permittivity", "permittivity", "1", scale="0.01", sentinels={0xFFFF: "transducer fault"}),
                Quantity(
                    "soil_temperature_degc",
                    "soil_temperature",
                    "Cel",
                    scale="0.01",
                    sentinels={-32768: "thermistor fault"},
                ),
                Quantity(
                    "conductivity_ds_m", "conductivity", "dS/m", scale="0.001", switch="flags.conductivity_present"
                ),
            ),
        ),
    ),
    bounds=(Bound("head.depths", 1, 6),),
)
