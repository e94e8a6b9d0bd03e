"""The cipher of LoRaWAN 1.0.x over a frame's FRMPayload (LoRaWAN 1.0.3, 4.3.3): AES-128 in counter mode.

    A_i = 01 00 00 00 00 | Dir | DevAddr | FCnt (32 bits) | 00 | i       i = 1, 2, ... a block of 16 bytes
    FRMPayload = payload xor (aes128_encrypt(K, A_1) | aes128_encrypt(K, A_2) | ...)

K is the AppSKey from FPort 1 up. Nothing in it tells a wrong key, or a wrong upper half of the counter, from the right
one: what comes out is then noise of the same length. Only the integrity code tells (`integrity.py`).
"""

from __future__ import annotations

from loamline.core.lorawan.aes import BLOCK_BYTES, aes128_encrypt
from loamline.core.lorawan.blocks import Direction, frame_identity

#: `i` is one byte; a LoRa packet holds far less.
_MOST_BYTES = 255 * BLOCK_BYTES


def frm_payload_cipher(
    key: bytes, dev_addr: int, fcnt: int, payload: bytes, direction: Direction = Direction.UPLINK
) -> bytes:
    """Return the payload enciphered, or deciphered: it is the same step. `fcnt` has 32 bits, of which the air has 16.

    Raises ValueError, without the key, where the key is not 16 bytes or a number has more than 32 bits.
    """
    if len(payload) > _MOST_BYTES:
        raise ValueError(f"expected a payload of at most {_MOST_BYTES} bytes, got {len(payload)}")
    identity = frame_identity(direction, dev_addr, fcnt)
    count = -(-len(payload) // BLOCK_BYTES)
    blocks = b"".join(b"\x01\0\0\0\0" + identity + b"\0" + bytes([number]) for number in range(1, count + 1))
    stream = aes128_encrypt(key, blocks)
    return bytes(ours ^ theirs for ours, theirs in zip(payload, stream, strict=False))
