"""An envelope map: a TOML file that says where in a server's JSON messages each field of an uplink stands.

```toml
[uplink]
dev_eui = { at = "/station/eui" }                            # JSON Pointer, RFC 6901
payload = { at = "/content", encoding = "base64" }
fport = { at = "/port" }
fcnt = { at = "/number" }
heard_at = { at = "/when_ms", format = "unix_ms" }
frequency_hz = { at = "/radio/mhz", factor = 1_000_000 }
spreading_factor = { at = "/radio/rate", after = "SF" }      # 9 of "SF9 BW125"

[reception]
list_at = "/heard_by"                                        # pointers below are into each item of it
gateway = { at = "/id" }
rssi_dbm = { at = "/signal" }
```

A value is `at` a pointer or `constant`. Then, in this order: null, or what is named in `absent`, is no value; `values`
is a table from the text found to the value; `after` takes the number that follows a text; `factor` and `offset` make
`number * factor + offset`. A message that is a JSON list is several messages.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictInt, StrictStr, model_validator

from loamline_schemas.uplink import Finite

Pointer = Annotated[
    str,
    Field(pattern=r"^(/([^~/]|~[01])*)*$", max_length=1024, description='JSON Pointer, RFC 6901, such as "/radio/sf"'),
]
Encoding = Literal["hex", "base64", "base64url"]
TimeFormat = Literal["rfc3339", "unix_s", "unix_ms", "unix_us", "unix_ns"]
Within = Literal["here", "uplink", "message"]
Scalar = StrictBool | StrictInt | Finite | StrictStr

_LIST = "pointer to the list; without it there is one"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Source(_Part):
    """Where one field's value stands."""

    at: Pointer
    within: Annotated[
        Within, Field(description="what the pointer is into: the item of the list, the uplink it is in, the message")
    ] = "here"
    absent: Annotated[tuple[Scalar, ...], Field(description="values that say that there is none")] = ()


class _OrConstant(_Part):
    """Where one field's value stands, or which one it always is."""

    at: Pointer | None = None
    within: Within = "here"
    absent: tuple[Scalar, ...] = ()
    constant: Scalar | None = None
    values: Annotated[
        dict[str, Scalar] | None, Field(description="the text found, and the value that it stands for")
    ] = None

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        told = [name for name in ("at", "constant") if getattr(self, name) is not None]
        if len(told) != 1:
            raise ValueError(f"expected either at or constant, got {' and '.join(told) or 'neither'}")
        if self.values == {}:
            raise ValueError("expected a text and its value in values, got none")
        beside = {"values", "factor", "offset", "after", "absent"} & self.model_fields_set
        if self.constant is not None and beside:
            raise ValueError(f"expected a constant alone, got {', '.join(sorted(beside))} beside it")
        return self


class TextSource(_OrConstant):
    """A text; a whole number is taken as its digits."""


class FlagSource(_OrConstant):
    """True or false."""


class IdentifierSource(_OrConstant):
    """An identifier of bytes; as hex, separators and a leading 0x are passed over."""

    encoding: Encoding = "hex"


class GatewaySource(_OrConstant):
    """A gateway's identifier: the text as it is, or, where `encoding` is told, its bytes as hex."""

    encoding: Encoding | None = None


class NumberSource(_OrConstant):
    """A number, or the text of one."""

    after: Annotated[
        str | None, Field(min_length=1, max_length=64, description='take the number that follows: "SF" in "SF9BW125"')
    ] = None
    factor: Finite = 1.0
    offset: Finite = 0.0

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.factor == 0:
            raise ValueError("expected a factor other than 0, got 0")
        beside = {"factor", "offset", "after"} & self.model_fields_set
        if self.values is not None and beside:
            raise ValueError(f"expected values to tell the figures, got {', '.join(sorted(beside))} beside them")
        return self


class PayloadSource(Source):
    """The decrypted FRMPayload."""

    encoding: Encoding


class TimeSource(Source):
    """An instant."""

    format: TimeFormat


class UplinkMap(_Part):
    """Where the fields of an uplink stand."""

    list_at: Annotated[Pointer | None, Field(description=_LIST + " uplink, the message")] = None
    dev_eui: IdentifierSource
    dev_addr: IdentifierSource | None = None
    fport: NumberSource
    fcnt: NumberSource
    payload: PayloadSource
    heard_at: TimeSource | None = None
    frequency_hz: NumberSource | None = None
    spreading_factor: NumberSource | None = None
    bandwidth_hz: NumberSource | None = None
    coding_rate: TextSource | None = None
    confirmed: FlagSource | None = None
    network: TextSource | None = None


class ReceptionMap(_Part):
    """Where the fields of each gateway's copy stand."""

    list_at: Annotated[Pointer | None, Field(description=_LIST + " reception, in the uplink itself")] = None
    gateway: GatewaySource
    rssi_dbm: NumberSource | None = None
    snr_db: NumberSource | None = None
    heard_at: TimeSource | None = None
    latitude_deg: NumberSource | None = None
    longitude_deg: NumberSource | None = None
    antenna: NumberSource | None = None


class EnvelopeMap(_Part):
    """Where in a server's JSON messages the fields of an uplink stand."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Envelope map")

    about: Annotated[str | None, Field(description="whose messages these are, for people")] = None
    uplink: UplinkMap
    reception: ReceptionMap | None = None


AnySource = Source | _OrConstant
#: The fields that every uplink must have; the others may be absent from a message.
REQUIRED = ("dev_eui", "fport", "fcnt", "payload")
