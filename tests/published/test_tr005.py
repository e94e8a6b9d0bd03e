"""The text of a probe's QR code against LoRa Alliance TR005-1.0.0 (2020), Device Identification QR Codes.

Example FOUND in four public files; that its checksum is CRC-16/MODBUS is COMPUTED, since it gives the printed one; the
grammar is from MEMORY (README.md beside this file).
"""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.qr import DeviceQr, QrError, crc16_modbus, parse_qr

TOLD = json.loads((Path(__file__).parent / "tr005_qr_code.json").read_text())
EXAMPLE = TOLD["example"]
SHORTEST = "LW:D0:1122334455667788:AABBCCDDEEFF0011:AABB1122"

#: What is said of each wrong text, by why it is wrong.
SENTENCES = {
    "unknown schema": "expected D0 at character 4 of the QR text, got 'D1'",
    "15 hex digits": "expected 16 hex digits of the JoinEUI at character 7 of the QR text, got '112233445566778'",
    "ProfileID missing": "expected 8 hex digits of the ProfileID at character 40 of the QR text, got its end",
    "checksum differs": "expected AF2C, the CheckSum of all before it, at character 85 of the QR text, got 'AF2D'",
    "not LW": "expected LW at character 1 of the QR text, got 'XX'",
}


def refusal(text):
    with pytest.raises(QrError) as problem:
        parse_qr(text)
    return problem.value


def test_the_published_example_says_what_is_printed_beside_it():
    fields = TOLD["example_fields"]
    told = parse_qr(EXAMPLE)
    assert told == DeviceQr(
        join_eui=fields["JoinEUI"],
        dev_eui=fields["DevEUI"],
        profile_id=fields["ProfileID"],
        owner_token=fields["OwnerToken"],
        serial=fields["SerNum"],
        proprietary=fields["Proprietary"],
        checksum=fields["CheckSum"],
    )
    assert (told.vendor_id, told.vendor_profile_id) == (fields["VendorID"], fields["VendorProfileID"])


def test_the_checksum_of_the_published_example_is_the_printed_one():
    assert crc16_modbus(TOLD["checksum"]["input"].encode()) == int(TOLD["checksum"]["crc_hex"], 16)


def test_the_checksum_of_nine_digits_is_that_of_catalogues_of_crcs():
    """The check value 0x4B37 of CRC-16/MODBUS over "123456789" (MEMORY)."""
    assert crc16_modbus(b"123456789") == 0x4B37


@pytest.mark.parametrize("case", TOLD["negative_cases"], ids=lambda case: case["why"])
def test_a_wrong_text_is_refused_with_its_place_what_was_expected_and_what_came(case):
    assert str(refusal(case["text"])) == SENTENCES[case["why"]]


def test_every_optional_part_may_be_left_out():
    bare = DeviceQr("1122334455667788", "AABBCCDDEEFF0011", "AABB1122")
    assert parse_qr(SHORTEST) == bare
    assert parse_qr(f"{SHORTEST}:SP-7").serial == "P-7"
    assert parse_qr(f"{SHORTEST}:PX Y").proprietary == "X Y"


def test_what_a_reader_puts_round_the_text_and_lower_case_digits_do_no_harm():
    assert parse_qr(f" {EXAMPLE}\r\n") == parse_qr(EXAMPLE)
    assert parse_qr(SHORTEST.replace("AABBCCDDEEFF0011", "aabbccddeeff0011")) == parse_qr(SHORTEST)


@pytest.mark.parametrize(
    ("text", "position", "got"),
    [
        ("", 1, ""),
        ("LW", 3, None),
        ("LW:D0:1122334455667788:AABBCCDDEEFF001G:AABB1122", 24, "AABBCCDDEEFF001G"),
        (f"{SHORTEST}:", 50, ""),
        (f"{SHORTEST}:S", 51, ""),
        (f"{SHORTEST}:Sab", 51, "ab"),
        (f"{SHORTEST}:SA:OB", 53, "OB"),
        (f"{SHORTEST}:SA:SB", 53, "SB"),
        (f"{SHORTEST}:CAF2", 51, "AF2"),
        (f"{EXAMPLE}:PX", 90, "PX"),
        ("\ud800", 1, "\ud800"),
    ],
)
def test_a_text_of_another_form_is_refused_at_the_place_where_it_goes_wrong(text, position, got):
    told = refusal(text)
    assert (told.position, told.got) == (position, got)


def test_a_long_text_is_shown_by_its_beginning():
    assert str(refusal("9" * 500)).endswith(f"got '{'9' * 37}...'")


@given(st.integers(0, len(EXAMPLE) - 7), st.sampled_from("0123456789ABCDEFX:"))
def test_no_single_wrong_character_goes_unnoticed(at, other):
    """A checksum of 16 bits finds every error within 16 of them."""
    wrong = EXAMPLE[:at] + other + EXAMPLE[at + 1 :]
    if wrong != EXAMPLE:
        refusal(wrong)


@given(st.text())
def test_any_text_is_read_or_refused_with_the_place_within_it(text):
    for told in (text, f"{SHORTEST}:{text}"):
        try:
            read = parse_qr(told)
        except QrError as problem:
            place = problem.position
        else:
            assert read.dev_eui in told.upper()
            continue
        assert 1 <= place <= len(told) + 1
