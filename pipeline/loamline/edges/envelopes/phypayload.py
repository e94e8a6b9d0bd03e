"""Whole LoRaWAN frames in, as a gateway heard them, one JSON object a message or a line (or a list of them):

    {"phy_payload_hex": "40DA1B...", "heard_at": "2026-05-01T10:00:00Z", "receptions": [{"gateway": "..."}]}

`frequency_hz`, `spreading_factor`, `bandwidth_hz`, `coding_rate`, `network` and `receptions` are those of the
canonical uplink. `dev_eui` says whose the frame is, where that is known; else it is found among the keys.

**Whose frame it is.** A frame tells a DevAddr of 32 bits, which several probes may have. Of the sessions in the keys
file with that DevAddr, the one is meant whose NwkSKey makes the frame's integrity code (MIC) right. A line of keys
without a DevAddr is only asked where the message names the probe: trying every key of the fleet on every stray frame
would let anyone with a radio keep the daemon busy.

**What is checked.** With the NwkSKey known, a frame whose MIC is wrong is rejected and kept. Without it nothing can be
checked: a damaged or forged frame passes then.

**The frame counter** has 32 bits, of which a frame has the lower 16. The upper half is the one that makes the MIC
right; no memory of earlier frames is asked, since what is stored may not depend on the order in which frames come.
Without the NwkSKey the upper half is taken as 0, as nothing in the frame tells it: from the 65 537th frame of a session
on, such payloads are deciphered wrongly. So give the NwkSKey of probes whose sessions last for years.

**The payload** is deciphered with the AppSKey. A wrong AppSKey can't be noticed here, as the MIC is made with the other
key: its noise is stored as a payload, and mostly no codec reads it. A frame whose AppSKey is missing is rejected, kept
whole, and can be read again when the key is there.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.core.lorawan.integrity import UPPER_HALVES, uplink_fcnt
from loamline.core.lorawan.phy_payload import DataUplink, PhyPayloadError, parse_data_uplink
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.keys_file import Keys, SessionKeys
from loamline.edges.messages import Accepted, Incoming, Rejected
from loamline.edges.sentences import sentence
from loamline_schemas.uplink import MAX_PAYLOAD_BYTES, MAX_RECEPTIONS, DevEui, Instant, Reception, Uplink

KIND = "phypayload"


class _FrameError(Exception):
    """A frame of which no uplink can be made; the message is a whole sentence."""


class _Heard(BaseModel):
    """One frame and what is known of how it was heard; the limits of radio fields are the canonical uplink's."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    phy_payload_hex: Annotated[
        str, Field(pattern=r"^([0-9A-Fa-f]{2})*$", max_length=2 * MAX_PAYLOAD_BYTES, description="PHYPayload as hex")
    ]
    dev_eui: DevEui | None = None
    heard_at: Instant | None = None
    frequency_hz: Any = None
    spreading_factor: Any = None
    bandwidth_hz: Any = None
    coding_rate: Any = None
    network: Any = None
    receptions: Annotated[tuple[Reception, ...], Field(max_length=MAX_RECEPTIONS)] = ()


def phypayload_reader(keys: Keys) -> EnvelopeReader:
    """Return the reader of whole frames whose keys are in `keys`. It raises nothing, and no answer tells a key."""

    def read(content: bytes, source: str) -> list[Incoming]:
        try:
            items = list(_items(content, source))
        except (ValueError, RecursionError) as problem:
            return [_rejected(source, f"expected JSON, got {problem}", content)]
        if not items:
            return [_rejected(source, "expected a frame or a list of frames, got an empty list", content)]
        return [_read_one(keys, alone, where) for alone, where in items]

    return read


def _items(content: bytes, source: str) -> Iterator[tuple[bytes, str]]:
    """Yield each message of a body and where it stands. Raises ValueError or RecursionError where a list is no JSON."""
    if not content.lstrip().startswith(b"["):
        yield content, source
        return
    for index, item in enumerate(json.loads(content)):
        yield json.dumps(item).encode(), f"{source}[{index}]"


def _rejected(source: str, detail: str, content: bytes) -> Rejected:
    return Rejected(source, f"{source}: {detail}", content, KIND)


def _read_one(keys: Keys, content: bytes, source: str) -> Incoming:
    try:
        return Accepted(_uplink(keys, _Heard.model_validate_json(content)), content)
    except ValidationError as problem:
        return _rejected(source, sentence(problem), content)
    except (PhyPayloadError, _FrameError) as problem:
        return _rejected(source, str(problem), content)
    except Exception as problem:  # noqa: BLE001 - one message must never stop the daemon
        # The kind alone: what it says is not ours, and keys were at work.
        return _rejected(source, f"expected a LoRaWAN frame, got one that ended in {type(problem).__name__}", content)


def _uplink(keys: Keys, heard: _Heard) -> Uplink:
    frame = parse_data_uplink(bytes.fromhex(heard.phy_payload_hex))
    session, fcnt = _session_and_counter(keys, frame, heard.dev_eui)
    told = heard.model_dump(exclude={"phy_payload_hex", "dev_eui", "receptions"})
    return Uplink(
        **told,
        receptions=heard.receptions,
        dev_eui=session.dev_eui,
        dev_addr=frame.dev_addr_hex,
        fport=frame.fport,
        fcnt=fcnt,
        confirmed=frame.confirmed,
        payload_hex=_deciphered(session, frame, fcnt).hex(),
    )


def _deciphered(session: SessionKeys, frame: DataUplink, fcnt: int) -> bytes:
    if not frame.frm_payload:
        return b""
    if session.app_s_key is None:
        raise _FrameError(
            f"expected the AppSKey of {session.dev_eui} for DevAddr {frame.dev_addr_hex} in the keys file, got none; "
            "add it and read the message again"
        )
    return frm_payload_cipher(session.app_s_key, frame.dev_addr, fcnt, frame.frm_payload)


def _session_and_counter(keys: Keys, frame: DataUplink, dev_eui: str | None) -> tuple[SessionKeys, int]:
    """Return whose frame it is and its counter of 32 bits. Raises _FrameError where that can't be told."""
    sessions = _candidates(keys, frame, dev_eui)
    proven = [
        (session, fcnt)
        for session in sessions
        if session.nwk_s_key is not None
        if (fcnt := uplink_fcnt(session.nwk_s_key, frame.dev_addr, frame.fcnt16, frame.message, frame.mic)) is not None
    ]
    if len(proven) == 1:
        return proven[0]
    probes = _listed([session.dev_eui for session, _ in proven] or [session.dev_eui for session in sessions])
    if proven:
        raise _FrameError(
            f"expected one probe whose NwkSKey makes the MIC right, got {probes} with the same key; "
            "put the keys file right and read the message again"
        )
    if all(session.nwk_s_key is not None for session in sessions):
        raise _FrameError(
            f"expected a MIC made with the NwkSKey of {probes} under a frame counter whose upper half is "
            f"{UPPER_HALVES[0]} to {UPPER_HALVES[-1]}, got {frame.mic.hex().upper()}, which fits none; "
            "the frame is damaged or forged, or the keys are those of another session"
        )
    if len(sessions) > 1:
        raise _FrameError(
            f"expected the NwkSKey of each probe with DevAddr {frame.dev_addr_hex} ({probes}), by which to tell whose "
            "frame it is, got some without; add them to the keys file and read the message again"
        )
    return sessions[0], frame.fcnt16


def _candidates(keys: Keys, frame: DataUplink, dev_eui: str | None) -> tuple[SessionKeys, ...]:
    if dev_eui is None:
        sessions = keys.sessions_at(frame.dev_addr_hex)
        whose, advice = f"a probe with DevAddr {frame.dev_addr_hex}", "add its line with that dev_addr"
    else:
        session = keys.session(dev_eui, frame.dev_addr_hex)
        sessions = () if session is None else (session,)
        whose, advice = f"{dev_eui} for DevAddr {frame.dev_addr_hex}", "add its line"
    if not sessions:
        raise _FrameError(
            f"expected the AppSKey of {whose} in the keys file, got none; {advice} and read the message again"
        )
    return sessions


def _listed(dev_euis: list[str]) -> str:
    shown = dev_euis[:4]
    more = len(dev_euis) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")
