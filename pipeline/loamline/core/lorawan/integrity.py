"""The message integrity code (MIC) of LoRaWAN 1.0.x data frames (LoRaWAN 1.0.3, 4.4).

    B_0 = 49 00 00 00 00 | Dir | DevAddr | FCnt (32 bits) | 00 | length of the message
    MIC = the first 4 bytes of aes_cmac(NwkSKey, B_0 | message)         message: the frame without its MIC

The counter goes into it with 32 bits, while the frame carries the lower 16; so the code also tells which upper half.
"""

from __future__ import annotations

from cryptography.hazmat.primitives.constant_time import bytes_eq

from loamline.core.lorawan.aes import aes_cmac
from loamline.core.lorawan.blocks import Direction, frame_identity

MIC_BYTES = 4
#: Upper halves that are tried: counters under 1 048 576, over a century of hourly uplinks in one session.
UPPER_HALVES = range(16)


def data_frame_mic(
    nwk_s_key: bytes, dev_addr: int, fcnt: int, message: bytes, direction: Direction = Direction.UPLINK
) -> bytes:
    """Return the 4 bytes that belong behind `message`; `fcnt` has 32 bits.

    Raises ValueError, without the key, where the key is not 16 bytes, a number has more than 32 bits, or the message
    more than the 255 bytes of a LoRa packet.
    """
    if len(message) > 0xFF:
        raise ValueError(f"expected a message of at most 255 bytes, got {len(message)}")
    block = b"\x49\0\0\0\0" + frame_identity(direction, dev_addr, fcnt) + b"\0" + bytes([len(message)])
    return aes_cmac(nwk_s_key, block + message)[:MIC_BYTES]


def uplink_fcnt(nwk_s_key: bytes, dev_addr: int, fcnt16: int, message: bytes, mic: bytes) -> int | None:
    """Return the uplink's 32-bit counter under which `mic` is right, the least of UPPER_HALVES; None where none is.

    It depends on the frame alone, not on frames before it, so that the order in which frames come has no say. A code
    has 32 bits: a damaged frame passes one of the 16 once in 270 million times.
    """
    for upper in UPPER_HALVES:
        fcnt = upper << 16 | fcnt16
        if bytes_eq(data_frame_mic(nwk_s_key, dev_addr, fcnt, message), mic):
            return fcnt
    return None
