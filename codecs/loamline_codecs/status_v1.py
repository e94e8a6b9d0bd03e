"""Status, payload version 1: fixed, big-endian, 12 bytes; no samples.

byte    0               1       2       3   4       5   6         7   8   9       10  11
      +---------------+-------+-------+-----------+-------------+---------------+----------------+
      | version |reset| fw    | fw    | supply    | supply while| hours since   | transmissions, |
      | 1       |cause| major | minor | at rest   | transmitting| power-up      | in hundreds    |
      +---------------+-------+-------+-----------+-------------+---------------+----------------+
"""

from construct import BitStruct, Const, Int8ub, Int16ub, Int24ub, Nibble, Struct

from loamline_codecs.declaration import Codec, Match, Quantity

CODEC = Codec(
    name="status-v1",
    description="How the probe itself is: why it last started, its supply at rest and under load, its age.",
    message="status",
    match=Match(fport=11, leading_bits=4, value=1),
    layout=Struct(
        "head" / BitStruct("payload_version" / Const(1, Nibble), "reset_cause" / Nibble),
        "firmware_major" / Int8ub,
        "firmware_minor" / Int8ub,
        "supply_rest" / Int16ub,
        "supply_transmit" / Int16ub,
        "hours_since_power_up" / Int24ub,
        "transmissions_hundreds" / Int16ub,
    ),
    quantities=(
        Quantity("firmware_major", "firmware_major", "1"),
        Quantity("firmware_minor", "firmware_minor", "1"),
        Quantity(
            "reset_cause",
            "head.reset_cause",
            "1",
            labels={0: "power-up", 1: "watchdog", 2: "brown-out", 3: "commanded", 4: "fault"},
        ),
        Quantity("supply_rest_v", "supply_rest", "V", scale="0.001"),
        Quantity("supply_transmit_v", "supply_transmit", "V", scale="0.001"),
        Quantity("hours_since_power_up", "hours_since_power_up", "h"),
        Quantity("transmissions", "transmissions_hundreds", "{count}", scale="100"),
    ),
)
