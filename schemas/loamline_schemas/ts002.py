"""XmitDataReq of LoRa Alliance TS002 (LoRaWAN Backend Interfaces): an uplink as a network server passes it on.

The names of members and their types are from memory of TS002-1.1.0, sections 23.1 to 23.5; conformance to the
standard's own text is not checked. Only members that make up an uplink are told here, with strict types; any other
member is let through unread, whatever it holds. A null is the same as no member.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool, StrictFloat, StrictInt, StrictStr

from loamline_schemas.uplink import MAX_RECEPTIONS, Instant

XMIT_DATA_ANS = "XmitDataAns"
#: Those of the standard's result codes that an answer here may have (from memory).
ResultCode = Literal[
    "Success",
    "MICFailed",
    "UnknownDevEUI",
    "UnknownDevAddr",
    "InvalidFPort",
    "InvalidProtocolVersion",
    "FrameSizeError",
    "MalformedRequest",
    "Other",
]

_HEX = re.compile(r"(?:0[xX])?((?:[0-9A-Fa-f]{2})*)", re.ASCII)


def _bare_hex(value: str) -> str:
    told = _HEX.fullmatch(value)
    if told is None:
        raise ValueError("expected whole bytes as hex digits, with or without 0x")
    return told[1].upper()


def _eui(value: str) -> str:
    return _of_digits(value, 16)


def _dev_addr(value: str) -> str:
    return _of_digits(value, 8)


def _of_digits(value: str, digits: int) -> str:
    told = _HEX.fullmatch(value)
    if told is None or len(told[1]) != digits:
        raise ValueError(f"expected {digits} hex digits, with or without 0x")
    return told[1].upper()


def _gateway_id(value: str) -> str:
    bare = _bare_hex(value)
    if not 2 <= len(bare) <= 64:
        raise ValueError("expected 2 to 64 hex digits, with or without 0x")
    return bare


#: Hex digits without 0x, upper case, once they are read.
Hex = Annotated[StrictStr, AfterValidator(_bare_hex)]
Eui = Annotated[StrictStr, AfterValidator(_eui)]
Addr = Annotated[StrictStr, AfterValidator(_dev_addr)]
GatewayId = Annotated[StrictStr, AfterValidator(_gateway_id)]
Number = Annotated[StrictFloat, Field(allow_inf_nan=False)]
Identifier = Annotated[StrictStr, Field(max_length=128)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class GwInfo(_Part):
    """One gateway's copy of the uplink (GWInfoElement)."""

    gateway_id: Annotated[GatewayId, Field(alias="ID")]
    rf_region: Annotated[StrictStr | None, Field(alias="RFRegion")] = None
    rssi_dbm: Annotated[Number | None, Field(alias="RSSI")] = None
    snr_db: Annotated[Number | None, Field(alias="SNR")] = None
    latitude_deg: Annotated[Number | None, Field(alias="Lat", ge=-90, le=90)] = None
    longitude_deg: Annotated[Number | None, Field(alias="Lon", ge=-180, le=180)] = None


class UlMetaData(_Part):
    """What the network knows of the uplink. `data_rate` is an index into the table of `rf_region`."""

    dev_eui: Annotated[Eui | None, Field(alias="DevEUI")] = None
    dev_addr: Annotated[Addr | None, Field(alias="DevAddr")] = None
    fport: Annotated[StrictInt | None, Field(alias="FPort", ge=1, le=255)] = None
    fcnt_up: Annotated[StrictInt | None, Field(alias="FCntUp", ge=0, le=0xFFFF_FFFF)] = None
    confirmed: Annotated[StrictBool | None, Field(alias="Confirmed")] = None
    data_rate: Annotated[StrictInt | None, Field(alias="DataRate", ge=0, le=15)] = None
    frequency_mhz: Annotated[Number | None, Field(alias="ULFreq", ge=1, le=4000)] = None
    heard_at: Annotated[Instant | None, Field(alias="RecvTime")] = None
    rf_region: Annotated[StrictStr | None, Field(alias="RFRegion")] = None
    gateways: Annotated[tuple[GwInfo, ...] | None, Field(alias="GWInfo", max_length=MAX_RECEPTIONS)] = None


class XmitDataReq(_Part):
    """One request; exactly one of `phy_payload` and `frm_payload` is told by a right one."""

    protocol_version: Annotated[StrictStr, Field(alias="ProtocolVersion")]
    sender_id: Annotated[Identifier, Field(alias="SenderID")]
    receiver_id: Annotated[Identifier, Field(alias="ReceiverID")]
    transaction_id: Annotated[StrictInt, Field(alias="TransactionID", ge=0, le=0xFFFF_FFFF)]
    message_type: Annotated[Literal["XmitDataReq"], Field(alias="MessageType")]
    phy_payload: Annotated[Hex | None, Field(alias="PHYPayload")] = None
    frm_payload: Annotated[Hex | None, Field(alias="FRMPayload")] = None
    ul_meta_data: Annotated[UlMetaData, Field(alias="ULMetaData")]
