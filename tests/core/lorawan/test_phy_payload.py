"""Frames taken apart, and the sentence on each that is none for us."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.lorawan.phy_payload import DataUplink, PhyPayloadError, parse_data_uplink

#: MHDR, DevAddr, FCtrl, FCnt, FPort, FRMPayload, MIC.
FRAME = bytes.fromhex("40 DA1B0126 80 0700 0A 0102 A1A2A3A4")


def refusal(frame):
    with pytest.raises(PhyPayloadError) as problem:
        parse_data_uplink(frame)
    return str(problem.value)


def taken_apart(frame):
    try:
        return parse_data_uplink(frame), ""
    except PhyPayloadError as problem:
        return None, str(problem)


def test_each_part_stands_where_the_standard_puts_it():
    assert parse_data_uplink(FRAME) == DataUplink(
        confirmed=False,
        dev_addr=0x26011BDA,
        adr=True,
        adr_ack_req=False,
        ack=False,
        class_b=False,
        fcnt16=7,
        fopts=b"",
        fport=10,
        frm_payload=b"\x01\x02",
        mic=b"\xa1\xa2\xa3\xa4",
        message=FRAME[:-4],
    )


@pytest.mark.parametrize(("bit", "name"), [(0x80, "adr"), (0x40, "adr_ack_req"), (0x20, "ack"), (0x10, "class_b")])
def test_each_bit_of_fctrl_says_one_thing(bit, name):
    told = parse_data_uplink(FRAME[:5] + bytes([bit]) + FRAME[6:])
    assert [flag for flag in ("adr", "adr_ack_req", "ack", "class_b") if getattr(told, flag)] == [name]


def test_the_address_is_written_with_all_of_its_digits():
    assert parse_data_uplink(FRAME[:1] + bytes.fromhex("01000000") + FRAME[5:]).dev_addr_hex == "00000001"


def test_the_reserved_bits_of_mhdr_are_ignored():
    assert parse_data_uplink(b"\x5c" + FRAME[1:]).frm_payload == b"\x01\x02"


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        (b"", "expected a LoRaWAN frame, got 0 bytes"),
        (b"\x00" + FRAME[1:], "expected a data uplink (message type 2 or 4), got a join request (type 0)"),
        (b"\x20" + FRAME[1:], "expected a data uplink (message type 2 or 4), got a join accept (type 1)"),
        (b"\xa0" + FRAME[1:], "expected a data uplink (message type 2 or 4), got a confirmed downlink (type 5)"),
        (b"\xe0", "expected a data uplink (message type 2 or 4), got a proprietary frame (type 7)"),
        (b"\x41" + FRAME[1:], "expected major version 0 of LoRaWAN, got 1 in MHDR 41"),
        (FRAME[:11], "expected a data uplink of 12 to 255 bytes (MHDR 1, FHDR from 7, MIC 4), got 11"),
        (FRAME + bytes(241), "expected a data uplink of 12 to 255 bytes (MHDR 1, FHDR from 7, MIC 4), got 256"),
        (
            FRAME[:5] + b"\x8f" + FRAME[6:],
            "expected 15 bytes of FOpts, as FCtrl 8F says, got 3; the frame is cut off or damaged",
        ),
        (FRAME[:12], "expected an FPort of 1 or more, got a frame without one, which has no payload"),
        (
            FRAME[:8] + b"\0" + FRAME[9:],
            "expected an FPort of 1 or more, got 0, which carries MAC commands for the network",
        ),
    ],
    ids=lambda told: told.split(", got ")[-1] if isinstance(told, str) else f"{len(told)} bytes",
)
def test_a_frame_that_is_no_data_uplink_for_us_is_refused_with_what_came(frame, expected):
    """FRAME cut to 12 bytes is a whole one without FPort, as far as anyone without the key can tell."""
    assert refusal(frame) == expected


@given(frame=st.binary(max_size=300) | st.binary(max_size=60).map(lambda rest: b"\x40" + rest))
def test_any_bytes_are_taken_apart_without_loss_or_refused_with_a_sentence(frame):
    told, refused = taken_apart(frame)
    if told is None:
        assert refused.startswith("expected ")
    else:
        assert told.message + told.mic == frame
        assert told.message.endswith(told.fopts + bytes([told.fport]) + told.frm_payload)
