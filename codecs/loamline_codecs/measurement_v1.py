"""Measurement, payload version 1: fixed, big-endian, 9 bytes, one depth.

byte    0         1   2       3   4        5        6            7   8
      +---------+-----------+------------+--------+------------+-----------+
      | version | moisture  | soil       | supply | firmware   | sample    |
      | 0x01    | count     | temperature| voltage| maj | min  | counter   |
      +---------+-----------+------------+--------+------------+-----------+
"""

from construct import BitStruct, Const, Int8ub, Int16sb, Int16ub, Nibble, Struct

from loamline_codecs.declaration import Codec, Match, Quantity, SampleGroup

CODEC = Codec(
    name="measurement-v1",
    description="One depth, fixed length: the first generation, still buried in many fields.",
    message="measurement",
    match=Match(fport=10, leading_bits=8, value=0x01),
    layout=Struct(
        "payload_version" / Const(1, Int8ub),
        "moisture_count" / Int16ub,
        "soil_temperature" / Int16sb,
        "supply_voltage" / Int8ub,
        "firmware" / BitStruct("major" / Nibble, "minor" / Nibble),
        "sample_counter" / Int16ub,
    ),
    quantities=(
        Quantity("supply_v", "supply_voltage", "V", scale="0.01", offset="2.00"),
        Quantity("firmware_major", "firmware.major", "1"),
        Quantity("firmware_minor", "firmware.minor", "1"),
        Quantity("sample_counter", "sample_counter", "{count}"),
    ),
    samples=(
        SampleGroup(
            depth_index=0,
            quantities=(
                Quantity(
                    "moisture_count",
                    "moisture_count",
                    "{count}",
                    sentinels={0xFFFF: "transducer fault"},
                    valid=(0, 4095),
                ),
                Quantity(
                    "soil_temperature_degc",
                    "soil_temperature",
                    "Cel",
                    scale="0.01",
                    sentinels={-32768: "thermistor fault"},
                ),
            ),
        ),
    ),
)
