"""Keys wrapped by a key encryption key (KEK) after RFC 3394, as LoRa Alliance TS002 passes them on."""

from __future__ import annotations

from cryptography.hazmat.primitives.keywrap import InvalidUnwrap, aes_key_unwrap

from loamline.core.lorawan.aes import KEY_BYTES

#: 128, 192 and 256 bits.
KEK_BYTES = (16, 24, 32)
#: The key and 8 bytes by which the unwrapping is checked.
WRAPPED_BYTES = KEY_BYTES + 8


class KeyUnwrapError(ValueError):
    """A wrapped key that can't be unwrapped; the message tells neither key."""


def unwrap_key(kek: bytes, wrapped: bytes) -> bytes:
    """Return the AES-128 key in `wrapped`. Raises KeyUnwrapError, also where it was wrapped by another KEK."""
    if len(kek) not in KEK_BYTES:
        raise KeyUnwrapError(f"expected a key encryption key of 16, 24 or 32 bytes, got {len(kek)}")
    if len(wrapped) != WRAPPED_BYTES:
        raise KeyUnwrapError(f"expected a wrapped key of {WRAPPED_BYTES} bytes, got {len(wrapped)}")
    try:
        return aes_key_unwrap(kek, wrapped)
    except InvalidUnwrap:
        raise KeyUnwrapError(
            "expected a key wrapped by this key encryption key (RFC 3394), got one wrapped by another, or damaged"
        ) from None
