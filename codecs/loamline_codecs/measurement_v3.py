"""Measurement, payload version 3: little-endian with backfill, 9 + 3(1+B) bytes, one depth.

byte    0             1   2      3       4       5   6      7          8
      +-------------+----------+-------+-------+----------+----------+-------+
      | version | B | sample   | fw    | fw    | supply   | interval | flags |
      | 3       |   | counter  | major | minor | voltage  | minutes  |       |
      +-------------+----------+-------+-------+----------+----------+-------+
then 1 + B times, the newest first, each one interval older than the one before:
byte    9+3k  10+3k    11+3k
      +--------------+-------------+
      | moisture     | soil        |
      | count        | temperature |
      +--------------+-------------+
"""

from construct import (
    Array,
    BitStruct,
    Const,
    Flag,
    Int8sl,
    Int8ul,
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
    name="measurement-v3",
    description="One depth and up to seven older samples, so that a lost uplink loses no figure.",
    message="measurement",
    match=Match(fport=10, leading_bits=4, value=3),
    layout=Struct(
        "head"
        / BitStruct("payload_version" / Const(3, Nibble), "older_samples" / Rebuild(Nibble, len_(this._.samples) - 1)),
        "sample_counter" / Int16ul,
        "firmware_major" / Int8ul,
        "firmware_minor" / Int8ul,
        "supply_voltage" / Int16ul,
        "interval" / Int8ul,
        "flags" / BitStruct("reserved" / Padding(5), "supply_low" / Flag, "cold_start" / Flag, "tilted" / Flag),
        "samples" / Array(this.head.older_samples + 1, Struct("moisture_count" / Int16ul, "soil_temperature" / Int8sl)),
    ),
    quantities=(
        Quantity("supply_v", "supply_voltage", "V", scale="0.001"),
        Quantity("firmware_major", "firmware_major", "1"),
        Quantity("firmware_minor", "firmware_minor", "1"),
        Quantity("sample_counter", "sample_counter", "{count}"),
        Quantity("interval_minutes", "interval", "min"),
        Quantity("tilted", "flags.tilted", "1"),
        Quantity("cold_start", "flags.cold_start", "1"),
        Quantity("supply_low", "flags.supply_low", "1"),
    ),
    samples=(
        SampleGroup(
            repeat="samples",
            depth_index=0,
            age_interval="interval",
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
                    scale="0.5",
                    sentinels={-128: "thermistor fault"},
                ),
            ),
        ),
    ),
    bounds=(Bound("head.older_samples", 0, 7), Bound("interval", 1, 255)),
    longest_age_minutes=7 * 255,
)
