"""Measurement, payload version 2: bit-packed, big-endian, 9 bytes, two depths and one thermistor.

bits   0-3       4      5      6      7     8-19       20-31      32-42        43-51
     +---------+------+------+------+-----+----------+----------+------------+----------+
     | version | tilt | cold | low  | res | moisture | moisture | soil       | supply   |
     | 2       | ed   | start| sup. |     | count 0  | count 1  | temperature| voltage  |
     +---------+------+------+------+-----+----------+----------+------------+----------+
bits   52-59            60-71
     +----------------+----------------+
     | firmware       | sample counter |
     | major | minor  |                |
     +----------------+----------------+
"""

from construct import BitsInteger, BitStruct, Const, Flag, Nibble, Padding

from loamline_codecs.declaration import Codec, Match, Quantity, SampleGroup

_TEMPERATURE = Quantity(
    "soil_temperature_degc",
    "soil_temperature",
    "Cel",
    scale="0.0625",
    offset="-40",
    sentinels={0x7FF: "thermistor fault"},
)

CODEC = Codec(
    name="measurement-v2",
    description="Two depths packed into nine bytes, with the accelerometer's and the supply's flags.",
    message="measurement",
    match=Match(fport=10, leading_bits=4, value=2),
    layout=BitStruct(
        "payload_version" / Const(2, Nibble),
        "tilted" / Flag,
        "cold_start" / Flag,
        "supply_low" / Flag,
        "reserved" / Padding(1),
        "moisture_count_0" / BitsInteger(12),
        "moisture_count_1" / BitsInteger(12),
        "soil_temperature" / BitsInteger(11),
        "supply_voltage" / BitsInteger(9),
        "firmware_major" / Nibble,
        "firmware_minor" / Nibble,
        "sample_counter" / BitsInteger(12),
    ),
    quantities=(
        Quantity("supply_v", "supply_voltage", "V", scale="0.004", offset="2.000"),
        Quantity("firmware_major", "firmware_major", "1"),
        Quantity("firmware_minor", "firmware_minor", "1"),
        Quantity("sample_counter", "sample_counter", "{count}"),
        Quantity("tilted", "tilted", "1"),
        Quantity("cold_start", "cold_start", "1"),
        Quantity("supply_low", "supply_low", "1"),
    ),
    samples=tuple(
        SampleGroup(
            depth_index=depth_index,
            quantities=(
                Quantity(
                    "moisture_count",
                    f"moisture_count_{depth_index}",
                    "{count}",
                    sentinels={0xFFF: "transducer fault"},
                ),
                _TEMPERATURE,
            ),
        )
        for depth_index in (0, 1)
    ),
)
