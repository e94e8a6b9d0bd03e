"""The text of a probe's QR code, as LoRa Alliance TR005-1.0.0 (2020) lays it out.

    LW:D0:<JoinEUI>:<DevEUI>:<ProfileID>[:O<OwnerToken>][:S<SerNum>][:P<Proprietary>][:C<CheckSum>]

Format and example FOUND in public files that cite TR005; its grammar in ABNF MEMORY. That the checksum is CRC-16/MODBUS
over all that stands before `:C` is COMPUTED: it gives the example's, and no other usual CRC-16 does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

#: Name, field of `DeviceQr` and hex digits of the parts that every text has.
_FIXED = (("JoinEUI", "join_eui", 16), ("DevEUI", "dev_eui", 16), ("ProfileID", "profile_id", 8))
#: Letter, name and field of those that it may have, in this order.
_OPTIONAL = (("O", "OwnerToken", "owner_token"), ("S", "SerNum", "serial"), ("P", "Proprietary", "proprietary"))
#: What a QR code's alphanumeric mode holds (ISO/IEC 18004), without the colon between the parts.
_ALPHANUMERIC = re.compile(r"[0-9A-Z $%*+./-]*")
_HEX = re.compile(r"[0-9A-Fa-f]*")
_SHOWN = 40


class QrError(ValueError):
    """A text of another form. `position` counts characters from 1; `got` is None where the text ends."""

    def __init__(self, position: int, expected: str, got: str | None) -> None:
        shown = "its end" if got is None else repr(got if len(got) <= _SHOWN else got[: _SHOWN - 3] + "...")
        super().__init__(f"expected {expected} at character {position} of the QR text, got {shown}")
        self.position, self.expected, self.got = position, expected, got


@dataclass(frozen=True)
class DeviceQr:
    """What a QR code says of a probe; identifiers in upper-case hex, None for parts that it leaves out.

    `profile_id` is `vendor_id` and `vendor_profile_id`, four hex digits each. `checksum` is verified where there is
    one.
    """

    join_eui: str
    dev_eui: str
    profile_id: str
    owner_token: str | None = None
    serial: str | None = None
    proprietary: str | None = None
    checksum: str | None = None

    @property
    def vendor_id(self) -> str:
        """Who made the probe, by the LoRa Alliance's number."""
        return self.profile_id[:4]

    @property
    def vendor_profile_id(self) -> str:
        """Which kind of probe, by its maker's number."""
        return self.profile_id[4:]


def parse_qr(text: str) -> DeviceQr:
    """Return what the text of a QR code says, blanks around it set aside.

    Raises QrError where it is of another form, or where its checksum differs.
    """
    text = text.strip()
    parts, at = [], 1
    for part in text.split(":"):
        parts.append((at, part))
        at += len(part) + 1
    end = (len(text) + 1, None)
    fixed = [*parts, *[end] * 5][:5]
    _word(*fixed[0], "LW")
    _word(*fixed[1], "D0")
    told = {field: _hex(*place, name, digits) for place, (name, field, digits) in zip(fixed[2:], _FIXED, strict=True)}
    rest = parts[5:]
    for letter, name, field in _OPTIONAL:
        if rest and rest[0][1].startswith(letter):
            told[field] = _value(*rest.pop(0), name)
    if rest and rest[0][1].startswith("C"):
        told["checksum"] = _checksum(*rest.pop(0), text)
    if rest:
        raise QrError(rest[0][0], "OwnerToken (O), SerNum (S), Proprietary (P), CheckSum (C) in this order", rest[0][1])
    return DeviceQr(**told)


def crc16_modbus(content: bytes) -> int:
    """Return the CRC-16/MODBUS: polynomial 0x8005 reflected, begun with 0xFFFF, nothing added at the end."""
    crc = 0xFFFF
    for byte in content:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def _word(at: int, part: str | None, word: str) -> None:
    if part != word:
        raise QrError(at, word, part)


def _hex(at: int, part: str | None, name: str, digits: int) -> str:
    if part is None or not _HEX.fullmatch(part) or len(part) != digits:
        raise QrError(at, f"{digits} hex digits of the {name}", part)
    return part.upper()


def _value(at: int, part: str, name: str) -> str:
    value = part[1:]
    if not value or not _ALPHANUMERIC.fullmatch(value):
        raise QrError(at + 1, f"capital letters, digits, blanks or $%*+-./ of the {name}", value)
    return value


def _checksum(at: int, part: str, text: str) -> str:
    told = _hex(at + 1, part[1:], "CheckSum", 4)
    found = f"{crc16_modbus(text[: at - 2].encode()):04X}"
    if told != found:
        raise QrError(at + 1, f"{found}, the CheckSum of all before it,", told)
    return told
