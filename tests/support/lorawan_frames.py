"""LoRaWAN frames as a probe sends them, and the keys that two invented probes have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.core.lorawan.integrity import data_frame_mic


@dataclass(frozen=True)
class Session:
    """A probe's session as a test knows it."""

    dev_eui: str
    dev_addr: str
    nwk_s_key: bytes
    app_s_key: bytes

    def frame(
        self,
        payload: bytes = b"\x01\x07\x3a\x05\xdc\xa0\x25\x00\x2a",
        *,
        fcnt: int = 7,
        fport: int = 10,
        confirmed: bool = False,
        fopts: bytes = b"",
    ) -> bytes:
        """Return the PHYPayload of an uplink; the payload is the data sheet's first worked vector unless told."""
        dev_addr = int(self.dev_addr, 16)
        enciphered = frm_payload_cipher(self.app_s_key, dev_addr, fcnt, payload)
        message = (
            bytes([0x80 if confirmed else 0x40])
            + dev_addr.to_bytes(4, "little")
            + bytes([0x80 | len(fopts)])
            + (fcnt & 0xFFFF).to_bytes(2, "little")
            + fopts
            + bytes([fport])
            + enciphered
        )
        return message + data_frame_mic(self.nwk_s_key, dev_addr, fcnt, message)

    @property
    def row(self) -> dict[str, str]:
        """The session's line of a keys file."""
        return {
            "dev_eui": self.dev_eui,
            "dev_addr": self.dev_addr,
            "nwk_s_key": self.nwk_s_key.hex(),
            "app_s_key": self.app_s_key.hex(),
        }


#: Invented keys. NEIGHBOUR is another probe with the same DevAddr.
SESSION = Session(
    "02BB000000000001",
    "26011BDA",
    bytes.fromhex("9c1d2e3f405162738495a6b7c8d9eafb"),
    bytes.fromhex("d7e8f90a1b2c3d4e5f60718293a4b5c6"),
)
NEIGHBOUR = Session(
    "02BB000000000002",
    "26011BDA",
    bytes.fromhex("0f1e2d3c4b5a69788796a5b4c3d2e1f0"),
    bytes.fromhex("5a4b3c2d1e0f9f8e7d6c5b4a39281706"),
)

COLUMNS = ("dev_eui", "dev_addr", "nwk_s_key", "app_s_key")


def write_keys(path: Path, rows: Sequence[dict[str, str]], mode: int = 0o600) -> Path:
    """Write a keys file that only its owner may read, unless `mode` says otherwise."""
    lines = [",".join(COLUMNS), *(",".join(row.get(name, "") for name in COLUMNS) for row in rows)]
    path.write_text("\n".join(lines) + "\n")
    path.chmod(mode)
    return path


def shapes_of(*keys: bytes) -> list[str]:
    """Return how a key might show in text: as hex of either case, as base64 without its end, as Python shows bytes."""
    import base64

    return [
        shape
        for key in keys
        for shape in (key.hex(), key.hex().upper(), base64.b64encode(key).decode()[:20], repr(key)[2:-1])
    ]
