"""What the blocks of LoRaWAN's cipher and integrity code have in common: direction, DevAddr and FCnt, 10 bytes."""

from __future__ import annotations

from enum import IntEnum


class Direction(IntEnum):
    """The `Dir` of a block (LoRaWAN 1.0.3, 4.3.3 and 4.4)."""

    UPLINK = 0
    DOWNLINK = 1


def frame_identity(direction: Direction, dev_addr: int, fcnt: int) -> bytes:
    """Return `Dir | DevAddr | FCnt`, the numbers with their least significant byte first, all 32 bits of the counter.

    Raises ValueError where one of them has more than 32 bits or is negative.
    """
    for name, number in (("DevAddr", dev_addr), ("frame counter", fcnt)):
        if not 0 <= number <= 0xFFFF_FFFF:
            raise ValueError(f"expected a {name} of 32 bits, got {number}")
    return bytes([direction]) + dev_addr.to_bytes(4, "little") + fcnt.to_bytes(4, "little")
