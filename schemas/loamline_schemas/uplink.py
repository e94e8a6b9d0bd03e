"""The canonical uplink: one LoRaWAN data message as every way in hands it on.

Field names are those of the published JSON Schema (`loamline schema uplink`). In JSON the payload
stands under `payload_hex` or `payload_base64`; exactly one of the two.
"""

from __future__ import annotations

import base64
import binascii
import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    model_validator,
)

_DATE_FIRST = re.compile(r"\s*\d{4}-\d\d-\d\d", re.ASCII)


def _only_rfc3339(value: object) -> object:
    """Refuse numbers, also as text, which would be read as Unix seconds of unknown meaning."""
    if isinstance(value, datetime) or (isinstance(value, str) and _DATE_FIRST.match(value)):
        return value
    raise ValueError("expected an RFC 3339 date-time such as 2026-05-01T10:00:00Z")


def _to_utc(value: datetime) -> datetime:
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise ValueError("expected a time in the years 1 to 9999 of UTC") from None


def _upper(value: str) -> str:
    return value.upper()


Instant = Annotated[AwareDatetime, BeforeValidator(_only_rfc3339), AfterValidator(_to_utc)]
DevEui = Annotated[
    str,
    Field(pattern=r"^[0-9A-Fa-f]{16}$", description="EUI-64 of the probe, 16 hex digits"),
    AfterValidator(_upper),
]
DevAddr = Annotated[
    str,
    Field(pattern=r"^[0-9A-Fa-f]{8}$", description="LoRaWAN session address, 8 hex digits"),
    AfterValidator(_upper),
]
Finite = Annotated[float, Field(allow_inf_nan=False)]


#: A LoRa packet's length is one byte, so nothing longer can have been sent.
MAX_PAYLOAD_BYTES = 255
#: Many times the gateways that can hear one uplink; more would be an attack or a fault (common practice).
MAX_RECEPTIONS = 1024


class Reception(BaseModel):
    """One gateway's copy of an uplink."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    gateway: Annotated[str, Field(min_length=1, max_length=64, description="the gateway's identifier")]
    rssi_dbm: Annotated[Finite | None, Field(description="received signal strength, dBm")] = None
    snr_db: Annotated[Finite | None, Field(description="signal-to-noise ratio, dB")] = None
    heard_at: Annotated[Instant | None, Field(description="when this gateway heard it, UTC")] = None
    latitude_deg: Annotated[Finite | None, Field(ge=-90, le=90, description="WGS 84")] = None
    longitude_deg: Annotated[Finite | None, Field(ge=-180, le=180, description="WGS 84")] = None
    antenna: Annotated[StrictInt | None, Field(ge=0, le=255, description="antenna of the gateway")] = None


class Uplink(BaseModel):
    """One LoRaWAN data message with its radio metadata, in the project's canonical form."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Canonical uplink")

    dev_eui: DevEui
    dev_addr: DevAddr | None = None
    fport: Annotated[StrictInt, Field(ge=0, le=255, description="LoRaWAN FPort")]
    fcnt: Annotated[
        StrictInt, Field(ge=0, le=0xFFFF_FFFF, description="LoRaWAN FCntUp, 16 or 32 bits as the network gives it")
    ]
    payload_hex: Annotated[str | None, Field(description="FRMPayload, decrypted, as hex")] = None
    payload_base64: Annotated[str | None, Field(description="FRMPayload, decrypted, as base64 (RFC 4648)")] = None
    heard_at: Annotated[
        Instant | None,
        Field(description="when the network heard it, UTC; else the earliest gateway's time, else our own clock"),
    ] = None
    frequency_hz: Annotated[StrictInt | None, Field(ge=1_000_000, le=4_000_000_000)] = None
    spreading_factor: Annotated[StrictInt | None, Field(ge=5, le=12)] = None
    bandwidth_hz: Annotated[StrictInt | None, Field(ge=1_000, le=2_000_000)] = None
    coding_rate: Annotated[str | None, Field(pattern=r"^4/[5-8]$", description='for instance "4/5"')] = None
    confirmed: StrictBool | None = None
    network: Annotated[str | None, Field(max_length=128, description="which network delivered it")] = None
    receptions: Annotated[tuple[Reception, ...], Field(max_length=MAX_RECEPTIONS)] = ()

    @model_validator(mode="before")
    @classmethod
    def _one_payload(cls, data: Any) -> Any:
        if isinstance(data, dict):
            given = [key for key in ("payload_hex", "payload_base64") if data.get(key) is not None]
            if len(given) != 1:
                got = " and ".join(given) or "neither"
                raise ValueError(f"expected exactly one of payload_hex and payload_base64, got {got}")
        return data

    @model_validator(mode="after")
    def _readable_payload(self) -> Self:
        try:
            length = len(self.payload)
        except (ValueError, binascii.Error) as problem:
            key = "payload_hex" if self.payload_hex is not None else "payload_base64"
            raise ValueError(f"expected {key} to hold whole bytes, got text that does not decode: {problem}") from None
        if length > MAX_PAYLOAD_BYTES:
            raise ValueError(f"expected a payload of at most {MAX_PAYLOAD_BYTES} bytes, got {length}")
        return self

    @property
    def payload(self) -> bytes:
        """The payload's bytes, whichever encoding carried them."""
        if self.payload_hex is not None:
            return bytes.fromhex(self.payload_hex)
        return base64.b64decode(self.payload_base64 or "", validate=True)


HeardAtSource = Literal["network", "gateway", "clock"]
#: The order is the code stored in the raw log.
HEARD_AT_SOURCES: tuple[HeardAtSource, ...] = ("network", "gateway", "clock")
