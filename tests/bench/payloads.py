"""A seeded mix of every built-in payload version, as a fleet of all generations would send it."""

from __future__ import annotations

import random

Uplink = tuple[int, bytes]


def mixed_uplinks(count: int, seed: int = 1) -> list[Uplink]:
    """Return FPort and payload of `count` messages that are read whole: all versions alike, and 2 % status."""
    source = random.Random(seed)
    kinds = source.choices([_version_1, _version_2, _version_3, _version_4, _status], [25, 25, 25, 23, 2], k=count)
    return [kind(source) for kind in kinds]


def _version_1(source: random.Random) -> Uplink:
    return 10, b"\x01" + source.randbytes(8)


def _version_2(source: random.Random) -> Uplink:
    return 10, bytes([0x20 | source.randrange(16)]) + source.randbytes(8)


def _version_3(source: random.Random) -> Uplink:
    older = source.randrange(8)
    payload = bytearray([0x30 | older]) + source.randbytes(11 + 3 * older)
    payload[7] = 60
    return 10, bytes(payload)


def _version_4(source: random.Random) -> Uplink:
    depths, conductivity = source.randrange(1, 7), source.random() < 0.5
    payload = bytearray([0x40 | depths]) + source.randbytes(7 + depths * (6 if conductivity else 4))
    payload[1] = payload[1] & 0xF7 | 8 * conductivity
    return 10, bytes(payload)


def _status(source: random.Random) -> Uplink:
    return 11, bytes([0x10 | source.randrange(5)]) + source.randbytes(11)
