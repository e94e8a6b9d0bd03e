"""The message by which `loamline doctor` sees whether a subscription delivers; the daemon takes it for no uplink."""

from __future__ import annotations

import secrets

_MARK = b"loamline-doctor "
_MOST_BYTES = 64


def doctor_message() -> bytes:
    """Return one that no other is equal to."""
    return _MARK + secrets.token_hex(8).encode()


def is_doctor_message(content: bytes) -> bool:
    """Return whether a message is one of these."""
    return content.startswith(_MARK) and len(content) <= _MOST_BYTES
