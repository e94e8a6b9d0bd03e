"""AES-128 (FIPS 197) and AES-CMAC (RFC 4493), which LoRaWAN is built of."""

from __future__ import annotations

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.cmac import CMAC

KEY_BYTES = 16
BLOCK_BYTES = 16


def aes128_encrypt(key: bytes, blocks: bytes) -> bytes:
    """Return each block of 16 bytes enciphered by itself, the `aes128_encrypt` of LoRaWAN's text.

    Raises ValueError, without the key, where the key is not 16 bytes or the blocks are not whole.
    """
    if len(blocks) % BLOCK_BYTES:
        raise ValueError(f"expected whole blocks of {BLOCK_BYTES} bytes, got {len(blocks)} bytes")
    # Block by block is what the standard builds its key stream of; no block is ever enciphered twice under one key.
    encryptor = Cipher(_aes128(key), modes.ECB()).encryptor()  # noqa: S305
    return encryptor.update(blocks) + encryptor.finalize()


def aes_cmac(key: bytes, message: bytes) -> bytes:
    """Return the message's code of 16 bytes. Raises ValueError, without the key, where that is not 16 bytes."""
    code = CMAC(_aes128(key))
    code.update(message)
    return code.finalize()


def _aes128(key: bytes) -> algorithms.AES:
    if len(key) != KEY_BYTES:
        raise ValueError(f"expected an AES-128 key of {KEY_BYTES} bytes, got {len(key)}")
    return algorithms.AES(key)
