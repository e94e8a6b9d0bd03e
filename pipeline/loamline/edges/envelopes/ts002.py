"""LoRa Alliance TS002 (LoRaWAN Backend Interfaces) in: a network server's XmitDataReq, and the XmitDataAns to it.

Names, types and result codes are from memory of TS002-1.1.0; conformance to the standard's own text is not checked.
Shapes are told in `loamline_schemas.ts002`. Hex may have 0x in front and digits of either case.

**The payload.** FRMPayload is deciphered with the probe's AppSKey out of the keys file. Where no keys are told at all
it is taken as it is, as from a network that deciphers; where there are some, a probe without its own is refused and
its message kept, as noise must not pass for readings. A PHYPayload is taken apart and its MIC checked with the NwkSKey.
Keys are taken from the keys file alone, wrapped there or not: one in a message would end up in the store.

**The radio.** DataRate is an index into the table of RFRegion (`loamline.core.lorawan.data_rates`); where either has
no row, the spreading factor stays unknown. A gateway tells no time of its own; RecvTime is the network's.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from loamline.core.lorawan.data_rates import data_rate
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.ts002_payload import Payload, RefusedError, from_frm_payload, from_phy_payload
from loamline.edges.keys_file import Keys
from loamline.edges.messages import Accepted, Incoming, Rejected
from loamline.edges.sentences import sentence
from loamline_schemas.ts002 import XMIT_DATA_ANS, GwInfo, ResultCode, UlMetaData, XmitDataReq
from loamline_schemas.uplink import Reception, Uplink

KIND = "ts002"
_ECHOED = {"SenderID": "ReceiverID", "ReceiverID": "SenderID"}
_MOST_SHOWN = 1000


@dataclass(frozen=True)
class RefusedRequest(Rejected):
    """A message that is no uplink, and the standard's code for why."""

    kind: str = KIND
    result_code: ResultCode = "MalformedRequest"


def ts002_reader(keys: Keys) -> EnvelopeReader:
    """Return the reader of XmitDataReq messages, whose keys are in `keys`. It raises nothing, and tells no key.

    The standard sends one request a message; a JSON list of them, as a file of kept ones may be, is read item by item.
    """

    def read(content: bytes, source: str) -> list[Incoming]:
        try:
            told = from_json(content, allow_inf_nan=False)
        except (ValueError, RecursionError) as problem:
            return [_refused(source, "MalformedRequest", f"expected JSON, got {problem}", content)]
        if not isinstance(told, list):
            return [_read_one(keys, told, content, source)]
        if not told:
            return [_refused(source, "MalformedRequest", "expected a request or a list of them, got []", content)]
        return [
            _read_one(keys, item, json.dumps(item).encode(), f"{source}[{index}]") for index, item in enumerate(told)
        ]

    return read


def _read_one(keys: Keys, told: Any, content: bytes, source: str) -> Incoming:
    try:
        return Accepted(_uplink(XmitDataReq.model_validate(told), keys), content)
    except ValidationError as problem:
        return _refused(source, _code(problem), sentence(problem), content)
    except RefusedError as problem:
        return _refused(source, problem.result_code, str(problem), content)
    except Exception as problem:  # noqa: BLE001 - one message must never stop the daemon
        # The kind alone: what it says is not ours, and keys were at work.
        return _refused(
            source, "Other", f"expected an XmitDataReq, got one that ended in {type(problem).__name__}", content
        )


def _refused(source: str, code: ResultCode, detail: str, content: bytes) -> RefusedRequest:
    return RefusedRequest(source, f"{source}: {detail}", content, result_code=code)


def _code(problem: ValidationError) -> ResultCode:
    """Return the code of a message whose only fault has one of its own; else it is malformed."""
    errors = problem.errors(include_url=False)
    fport_out_of_range = errors[0]["loc"] == ("ULMetaData", "FPort") and errors[0]["type"] in (
        "greater_than_equal",
        "less_than_equal",
    )
    return "InvalidFPort" if len(errors) == 1 and fport_out_of_range else "MalformedRequest"


def _uplink(request: XmitDataReq, keys: Keys) -> Uplink:
    if request.protocol_version.partition(".")[0] != "1":
        raise RefusedError(
            "InvalidProtocolVersion", f"ProtocolVersion: expected 1.0 or 1.1, got {request.protocol_version[:40]!r}"
        )
    meta = request.ul_meta_data
    payload = _payload(request, meta, keys)
    spreading_factor, bandwidth_hz = _modulation(meta)
    return Uplink(
        dev_eui=payload.dev_eui,
        dev_addr=payload.dev_addr,
        fport=payload.fport,
        fcnt=payload.fcnt,
        payload_hex=payload.content.hex(),
        heard_at=meta.heard_at,
        frequency_hz=None if meta.frequency_mhz is None else round(meta.frequency_mhz * 1e6),
        spreading_factor=spreading_factor,
        bandwidth_hz=bandwidth_hz,
        confirmed=payload.confirmed,
        network=request.sender_id or None,
        receptions=tuple(_reception(gateway) for gateway in meta.gateways or ()),
    )


def _payload(request: XmitDataReq, meta: UlMetaData, keys: Keys) -> Payload:
    if request.frm_payload is not None and request.phy_payload is None:
        return from_frm_payload(bytes.fromhex(request.frm_payload), meta, keys)
    if request.phy_payload is not None and request.frm_payload is None:
        return from_phy_payload(bytes.fromhex(request.phy_payload), meta, keys)
    got = "neither" if request.frm_payload is None else "both"
    raise RefusedError("MalformedRequest", f"expected exactly one of PHYPayload and FRMPayload, got {got}")


def _modulation(meta: UlMetaData) -> tuple[int | None, int | None]:
    """Return the spreading factor and the bandwidth, Hz; the region is the uplink's, else its first gateway's."""
    regions = [meta.rf_region, *(gateway.rf_region for gateway in meta.gateways or ())]
    region = next((told for told in regions if told is not None), None)
    if region is None or meta.data_rate is None:
        return None, None
    rate = data_rate(region, meta.data_rate)
    return (None, None) if rate is None else (rate.spreading_factor, rate.bandwidth_hz)


def _reception(gateway: GwInfo) -> Reception:
    return Reception(
        gateway=gateway.gateway_id,
        rssi_dbm=gateway.rssi_dbm,
        snr_db=gateway.snr_db,
        latitude_deg=gateway.latitude_deg,
        longitude_deg=gateway.longitude_deg,
    )


# The answer ----------------------------------------------------------------------------------------------------------


def ts002_answer(content: bytes, read: Sequence[Incoming], *, stored: bool) -> tuple[int, dict[str, Any]]:
    """Return the HTTP status and the XmitDataAns to a request, `read` being what the reader made of `content`.

    Status 200 once all of it is `stored`, also where it is no uplink: it is kept, and to send it again would change
    nothing; the result code tells. Status 503 and `Other` where it could not be stored: send it again. An uplink that
    was there already, or that no codec reads, is a `Success`.
    To a list of requests, which the standard has not, there is one answer, with the code of the first that is refused.
    What the request tells wrongly or not at all is left out of the answer. Raises nothing.
    """
    refused = [message for message in read if isinstance(message, Rejected)]
    code: ResultCode = "Success"
    description = None
    if not stored:
        code, description = "Other", "expected room to store the message, got none; send it again later"
    elif refused:
        first = refused[0]
        code = first.result_code if isinstance(first, RefusedRequest) else "Other"
        description = first.detail[:_MOST_SHOWN]
    result = {"ResultCode": code} | ({} if description is None else {"Description": description})
    return (200 if stored else 503), {**_answer_header(content), "Result": result}


def _answer_header(content: bytes) -> dict[str, Any]:
    try:
        told = from_json(content)
    except (ValueError, RecursionError):
        told = None
    if isinstance(told, list):
        told = next(iter(told), None)
    request: dict[str, Any] = told if isinstance(told, dict) else {}
    version = request.get("ProtocolVersion")
    header: dict[str, Any] = {"ProtocolVersion": version if version in ("1.0", "1.1") else "1.0"}
    for ours, theirs in _ECHOED.items():
        if isinstance(request.get(theirs), str):
            header[ours] = request[theirs][:_MOST_SHOWN]
    number = request.get("TransactionID")
    if type(number) is int and 0 <= number <= 0xFFFF_FFFF:
        header["TransactionID"] = number
    return {**header, "MessageType": XMIT_DATA_ANS}
