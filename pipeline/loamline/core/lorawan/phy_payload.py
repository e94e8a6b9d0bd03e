"""A whole LoRaWAN frame (PHYPayload) taken apart, as a gateway hears it (LoRaWAN 1.0.3, section 4).

     byte 0      1-4      5     6-7   8..        then     then        last 4
    +------+---------+-------+------+---------+-------+------------+-----+
    | MHDR | DevAddr | FCtrl | FCnt |  FOpts  | FPort | FRMPayload | MIC |
    +------+---------+-------+------+---------+-------+------------+-----+
             FHDR: 7 bytes and 0 to 15 of FOpts

DevAddr and FCnt come with their least significant byte first. MHDR: message type in bits 7-5, major version in 1-0.
FCtrl of an uplink: ADR 7, ADRACKReq 6, ACK 5, class B 4, length of FOpts 3-0.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loamline.core.lorawan.integrity import MIC_BYTES

_FHDR_BYTES = 7
_LEAST_BYTES = 1 + _FHDR_BYTES + MIC_BYTES
#: A LoRa packet's length is one byte.
_MOST_BYTES = 255
_CONFIRMED = 0b100
#: Message types that are no data uplink, by number.
_OTHERS = {
    0b000: "a join request",
    0b001: "a join accept",
    0b011: "an unconfirmed downlink",
    0b101: "a confirmed downlink",
    0b110: "a rejoin request or a reserved type",
    0b111: "a proprietary frame",
}


class PhyPayloadError(ValueError):
    """A frame that is no data uplink with a payload for us; the message says what was expected and what came."""


@dataclass(frozen=True)
class DataUplink:
    """A data uplink as it was on the air; nothing in it is checked or deciphered yet.

    `fcnt16` is the lower half of the counter, `frm_payload` enciphered, `message` all that `mic` is a code of.
    """

    confirmed: bool
    dev_addr: int
    adr: bool
    adr_ack_req: bool
    ack: bool
    class_b: bool
    fcnt16: int
    fopts: bytes
    fport: int
    frm_payload: bytes
    mic: bytes
    message: bytes = field(repr=False)

    @property
    def dev_addr_hex(self) -> str:
        """The DevAddr as 8 hex digits, most significant first."""
        return f"{self.dev_addr:08X}"


def parse_data_uplink(frame: bytes) -> DataUplink:
    """Return the parts of a frame. Raises PhyPayloadError where it is cut off or is no data uplink from FPort 1 up.

    FPort 224 is the standard's test protocol and 225 to 255 are reserved: they are enciphered like the rest and taken
    apart like it; what they mean is for a codec to say.
    """
    if not frame:
        raise PhyPayloadError("expected a LoRaWAN frame, got 0 bytes")
    kind, major = frame[0] >> 5, frame[0] & 0b11
    if kind in _OTHERS:
        raise PhyPayloadError(f"expected a data uplink (message type 2 or 4), got {_OTHERS[kind]} (type {kind})")
    if major != 0:
        raise PhyPayloadError(f"expected major version 0 of LoRaWAN, got {major} in MHDR {frame[0]:02X}")
    if not _LEAST_BYTES <= len(frame) <= _MOST_BYTES:
        raise PhyPayloadError(
            f"expected a data uplink of {_LEAST_BYTES} to {_MOST_BYTES} bytes (MHDR 1, FHDR from 7, MIC 4), "
            f"got {len(frame)}"
        )
    message, mic = frame[:-MIC_BYTES], frame[-MIC_BYTES:]
    fctrl = message[5]
    fopts_end = 1 + _FHDR_BYTES + (fctrl & 0b1111)
    if len(message) < fopts_end:
        raise PhyPayloadError(
            f"expected {fctrl & 0b1111} bytes of FOpts, as FCtrl {fctrl:02X} says, got {len(message) - 8}; "
            "the frame is cut off or damaged"
        )
    if len(message) == fopts_end:
        raise PhyPayloadError("expected an FPort of 1 or more, got a frame without one, which has no payload")
    fport = message[fopts_end]
    if fport == 0:
        raise PhyPayloadError("expected an FPort of 1 or more, got 0, which carries MAC commands for the network")
    return DataUplink(
        confirmed=kind == _CONFIRMED,
        dev_addr=int.from_bytes(message[1:5], "little"),
        adr=bool(fctrl & 0x80),
        adr_ack_req=bool(fctrl & 0x40),
        ack=bool(fctrl & 0x20),
        class_b=bool(fctrl & 0x10),
        fcnt16=int.from_bytes(message[6:8], "little"),
        fopts=message[8:fopts_end],
        fport=fport,
        frm_payload=message[fopts_end + 1 :],
        mic=mic,
        message=message,
    )
