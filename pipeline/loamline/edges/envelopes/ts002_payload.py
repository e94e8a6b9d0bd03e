"""The payload of a TS002 message: a FRMPayload deciphered, or a whole frame (PHYPayload) checked and deciphered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cryptography.hazmat.primitives.constant_time import bytes_eq

from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.core.lorawan.integrity import data_frame_mic, uplink_fcnt
from loamline.core.lorawan.phy_payload import DataUplink, PhyPayloadError, parse_data_uplink
from loamline.edges.keys_file import Keys, SessionKeys
from loamline_schemas.ts002 import ResultCode, UlMetaData
from loamline_schemas.uplink import MAX_PAYLOAD_BYTES


class RefusedError(Exception):
    """A message of which no uplink can be made: a whole sentence, and the standard's code for it. Tells no key."""

    def __init__(self, result_code: ResultCode, sentence: str) -> None:
        super().__init__(sentence)
        self.result_code = result_code


@dataclass(frozen=True)
class Payload:
    """Whose payload it is, in which frame it came, and its bytes, deciphered. `fcnt` has 32 bits."""

    dev_eui: str
    dev_addr: str | None
    fport: int
    fcnt: int
    confirmed: bool | None
    content: bytes


def from_frm_payload(content: bytes, meta: UlMetaData, keys: Keys) -> Payload:
    """Return the payload of a FRMPayload. Raises RefusedError.

    Without any keys it is taken as it is: the network deciphers. With keys it is enciphered, as the standard has it.
    """
    _refuse_long(content, "FRMPayload")
    if meta.dev_eui is None:
        raise _missing("DevEUI", "FRMPayload")
    if meta.fport is None:
        raise _missing("FPort", "FRMPayload")
    if meta.fcnt_up is None:
        raise _missing("FCntUp", "FRMPayload")
    if len(keys) and content:
        content = _deciphered(content, meta.dev_eui, meta.dev_addr, meta.fcnt_up, keys)
    return Payload(meta.dev_eui, meta.dev_addr, meta.fport, meta.fcnt_up, meta.confirmed, content)


def from_phy_payload(content: bytes, meta: UlMetaData, keys: Keys) -> Payload:
    """Return the payload of a whole frame, whose MIC is right where the NwkSKey is known. Raises RefusedError.

    A counter that ULMetaData tells gives the upper half that a frame has not; else the MIC tells it, or it is 0.
    """
    _refuse_long(content, "PHYPayload")
    try:
        frame = parse_data_uplink(content)
    except PhyPayloadError as problem:
        raise RefusedError("MalformedRequest", f"PHYPayload: {problem}") from None
    _refuse_disagreement(frame, meta)
    session, fcnt = _session_and_counter(frame, meta, keys)
    payload = frame.frm_payload
    if payload:
        payload = _deciphered(payload, session.dev_eui, frame.dev_addr_hex, fcnt, keys)
    return Payload(session.dev_eui, frame.dev_addr_hex, frame.fport, fcnt, frame.confirmed, payload)


def _refuse_long(content: bytes, member: str) -> None:
    if len(content) > MAX_PAYLOAD_BYTES:
        raise RefusedError(
            "FrameSizeError",
            f"{member}: expected at most the {MAX_PAYLOAD_BYTES} bytes of a LoRa packet, got {len(content)}",
        )


def _missing(member: str, beside: str) -> RefusedError:
    return RefusedError("MalformedRequest", f"ULMetaData.{member}: expected a value beside {beside}, got nothing")


def _deciphered(content: bytes, dev_eui: str, dev_addr: str | None, fcnt: int, keys: Keys) -> bytes:
    if dev_addr is None:
        raise RefusedError(
            "MalformedRequest", "ULMetaData.DevAddr: expected a value, without which nothing is deciphered, got nothing"
        )
    key = keys.app_s_key(dev_eui, dev_addr)
    if key is None:
        raise RefusedError(
            "UnknownDevEUI",
            f"expected the AppSKey of {dev_eui} for DevAddr {dev_addr} in the keys file, got none; "
            "add it and read the message again",
        )
    return frm_payload_cipher(key, int(dev_addr, 16), fcnt, content)


def _refuse_disagreement(frame: DataUplink, meta: UlMetaData) -> None:
    lower = None if meta.fcnt_up is None else meta.fcnt_up & 0xFFFF
    pairs = (
        ("DevAddr", meta.dev_addr, frame.dev_addr_hex),
        ("FPort", meta.fport, frame.fport),
        ("FCntUp, lower half", lower, frame.fcnt16),
    )
    for member, told, in_frame in pairs:
        if told is not None and told != in_frame:
            raise RefusedError(
                "MalformedRequest", f"ULMetaData.{member}: expected {in_frame}, as the PHYPayload has, got {told}"
            )


def _session_and_counter(frame: DataUplink, meta: UlMetaData, keys: Keys) -> tuple[SessionKeys, int]:
    """Return whose frame it is and its counter of 32 bits: of several probes, the one whose NwkSKey makes the MIC."""
    sessions = _sessions(frame, meta, keys)
    proven = [(told, fcnt) for told in sessions if (fcnt := _proven_counter(frame, meta, told)) is not None]
    if len(proven) == 1:
        return proven[0]
    if proven:
        raise RefusedError(
            "UnknownDevEUI",
            "PHYPayload: expected one probe whose NwkSKey makes the MIC right, "
            f"got {_listed([one for one, _ in proven])} with the same key; "
            "put the keys file right and read the message again",
        )
    unchecked = [session for session in sessions if session.nwk_s_key is None]
    if not unchecked:
        counter = "any frame counter" if meta.fcnt_up is None else f"frame counter {meta.fcnt_up}"
        raise RefusedError(
            "MICFailed",
            f"PHYPayload: expected a MIC made with the NwkSKey of {_listed(sessions)} under {counter}, "
            f"got {frame.mic.hex().upper()}; the frame is damaged or forged, or the keys are those of another session",
        )
    if len(sessions) > 1:
        raise RefusedError(
            "UnknownDevEUI",
            f"ULMetaData.DevEUI: expected a value, or the NwkSKey of each probe with DevAddr {frame.dev_addr_hex} "
            f"({_listed(sessions)}) in the keys file, got neither; add them and read the message again",
        )
    return unchecked[0], frame.fcnt16 if meta.fcnt_up is None else meta.fcnt_up


def _sessions(frame: DataUplink, meta: UlMetaData, keys: Keys) -> tuple[SessionKeys, ...]:
    if meta.dev_eui is None:
        sessions = keys.sessions_at(frame.dev_addr_hex)
        code: ResultCode = "UnknownDevAddr"
        whose = f"a probe with DevAddr {frame.dev_addr_hex}"
    else:
        session = keys.session(meta.dev_eui, frame.dev_addr_hex)
        sessions = () if session is None else (session,)
        code, whose = "UnknownDevEUI", f"{meta.dev_eui} for DevAddr {frame.dev_addr_hex}"
    if not sessions:
        raise RefusedError(
            code, f"expected the AppSKey of {whose} in the keys file, got none; add it and read the message again"
        )
    return sessions


def _proven_counter(frame: DataUplink, meta: UlMetaData, session: SessionKeys) -> int | None:
    key = session.nwk_s_key
    if key is None:
        return None
    if meta.fcnt_up is None:
        return uplink_fcnt(key, frame.dev_addr, frame.fcnt16, frame.message, frame.mic)
    mic = data_frame_mic(key, frame.dev_addr, meta.fcnt_up, frame.message)
    return meta.fcnt_up if bytes_eq(mic, frame.mic) else None


def _listed(sessions: Sequence[SessionKeys]) -> str:
    more = len(sessions) - 4
    return ", ".join(session.dev_eui for session in sessions[:4]) + (f" and {more} more" if more > 0 else "")
