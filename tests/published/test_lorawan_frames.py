"""Whole LoRaWAN frames, their codes and payloads against LoRaWAN 1.0.3, sections 4.3.3 and 4.4 (FOUND).

The frames are FOUND in an open-source library's tests and every value of them was COMPUTED again; those with counters
of 32 bits are COMPUTED from the text (README.md beside this file).
"""

import csv
import json
from pathlib import Path

import pytest

from loamline.core.lorawan.aes import aes128_encrypt, aes_cmac
from loamline.core.lorawan.blocks import Direction
from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.core.lorawan.integrity import data_frame_mic, uplink_fcnt
from loamline.core.lorawan.phy_payload import PhyPayloadError, parse_data_uplink

HERE = Path(__file__).parent
TOLD = json.loads((HERE / "lorawan_frame_vectors.json").read_text())
FRAMES = TOLD["vectors"]
UPLINKS = [told for told in FRAMES if told["parsed"]["dir"] == 0]
WIDE = TOLD["computed_32bit_counter_vectors"]["vectors"]
FIELDS = list(csv.DictReader((HERE / "lorawan_fports_and_message_types.csv").read_text().splitlines()))


def by_name(told):
    return told["name"]


def by_counter(told):
    return f"{len(told['plaintext_hex']) // 2} bytes at {told['fcnt32']}"


def key(told, name):
    return bytes.fromhex(told[name])


@pytest.mark.parametrize("told", UPLINKS, ids=by_name)
def test_the_parts_of_an_uplink_are_those_that_are_published(told):
    frame, parts = parse_data_uplink(bytes.fromhex(told["phypayload_hex"])), told["parsed"]
    assert (frame.dev_addr_hex.lower(), frame.fcnt16, frame.fport) == (
        parts["devaddr"],
        parts["fcnt16"],
        parts["fport"],
    )
    assert (frame.fopts.hex(), frame.frm_payload.hex(), frame.mic.hex()) == (
        parts["fopts"],
        parts["frmpayload"],
        parts["mic"],
    )
    assert (frame.adr, frame.ack, frame.confirmed) == (parts["adr"], parts["ack"], parts["mtype"] == 4)
    assert (frame.message + frame.mic).hex() == told["phypayload_hex"]


@pytest.mark.parametrize("told", FRAMES, ids=by_name)
def test_the_code_of_every_frame_is_the_published_one_in_both_directions(told):
    """The frame `bad_mic` carries another one, on purpose."""
    parts, message = told["parsed"], bytes.fromhex(told["phypayload_hex"])[:-4]
    fcnt = told["fcnt_high16"] << 16 | parts["fcnt16"]
    mic = data_frame_mic(key(told, "nwkskey_hex"), int(parts["devaddr"], 16), fcnt, message, Direction(parts["dir"]))
    assert mic.hex() == told["computed_mic_hex"]
    assert (mic.hex() == parts["mic"]) is told["mic_valid"]


@pytest.mark.parametrize("told", UPLINKS, ids=by_name)
def test_a_counter_is_found_for_every_uplink_whose_code_is_right_and_for_no_other(told):
    frame = parse_data_uplink(bytes.fromhex(told["phypayload_hex"]))
    found = uplink_fcnt(key(told, "nwkskey_hex"), frame.dev_addr, frame.fcnt16, frame.message, frame.mic)
    assert found == (told["parsed"]["fcnt16"] if told["mic_valid"] else None)


def test_the_published_payload_is_deciphered():
    told = next(told for told in FRAMES if "decrypted_hex" in told)
    frame = parse_data_uplink(bytes.fromhex(told["phypayload_hex"]))
    clear = frm_payload_cipher(key(told, "appskey_hex"), frame.dev_addr, frame.fcnt16, frame.frm_payload)
    assert (clear.hex(), clear.decode()) == (told["decrypted_hex"], told["decrypted_ascii"])


def test_a_wrong_key_gives_the_published_noise_and_no_error():
    told = TOLD["wrong_appskey_decrypt"]
    dev_addr, payload = int(told["devaddr"], 16), bytes.fromhex(told["frmpayload_hex"])
    assert frm_payload_cipher(key(told, "appskey_hex"), dev_addr, told["fcnt"], payload).hex() == told["decrypted_hex"]


def test_a_flipped_bit_flips_the_same_bit_of_the_payload():
    """The library deciphers it with the address and counter of its first frame."""
    told, first = TOLD["bitflip_decrypt"], FRAMES[0]["parsed"]
    dev_addr, payload = int(first["devaddr"], 16), bytes.fromhex(told["frmpayload_hex"])
    clear = frm_payload_cipher(key(told, "appskey_hex"), dev_addr, first["fcnt16"], payload)
    assert clear.decode() == told["decrypted_ascii"]


@pytest.mark.parametrize("told", WIDE, ids=by_counter)
def test_all_32_bits_of_the_counter_go_into_the_payload_and_the_code(told):
    """Payloads that end before, at and after a block's end, and counters around each rollover of the lower half."""
    whole, dev_addr = bytes.fromhex(told["phypayload_hex"]), int(told["devaddr"], 16)
    frame = parse_data_uplink(whole)
    assert (frame.dev_addr, frame.fport, frame.frm_payload.hex()) == (dev_addr, told["fport"], told["frmpayload_hex"])
    assert uplink_fcnt(key(told, "nwkskey_hex"), dev_addr, frame.fcnt16, frame.message, frame.mic) == told["fcnt32"]
    clear = frm_payload_cipher(key(told, "appskey_hex"), dev_addr, told["fcnt32"], frame.frm_payload)
    assert clear.hex() == told["plaintext_hex"]
    lower = data_frame_mic(key(told, "nwkskey_hex"), dev_addr, frame.fcnt16, frame.message)
    assert (lower == frame.mic) is told["mic_valid_if_high16_assumed_zero"]


def test_a_join_request_has_the_published_code_and_is_refused_as_what_it_is():
    """Its code is the first four bytes of the AES-CMAC under the AppKey (LoRaWAN 1.0.3, 6.2.4)."""
    told = TOLD["join_request"]
    frame = bytes.fromhex(told["phypayload_hex"])
    assert aes_cmac(key(told, "appkey_hex"), frame[:-4])[:4].hex() == told["mic_hex"] == frame[-4:].hex()
    with pytest.raises(PhyPayloadError, match=r"^expected a data uplink .*, got a join request \(type 0\)$"):
        parse_data_uplink(frame)


def test_a_downlink_is_refused_as_what_it_is():
    (told,) = [told for told in FRAMES if told["parsed"]["dir"] == 1]
    with pytest.raises(PhyPayloadError, match=r"^expected a data uplink .*, got an unconfirmed downlink \(type 3\)$"):
        parse_data_uplink(bytes.fromhex(told["phypayload_hex"]))


@pytest.mark.parametrize(("prefix", "name"), [(b"\x01", "nwkskey_hex"), (b"\x02", "appskey_hex")])
def test_session_keys_come_of_the_cipher_as_published(prefix, name):
    """LoRaWAN 1.0.3, 6.2.5. Deriving them is the network's work, so that this is one more check of the cipher."""
    told = TOLD["session_keys_1_0"]
    numbers = b"".join(bytes.fromhex(told[part])[::-1] for part in ("appnonce", "netid", "devnonce"))
    block = (prefix + numbers).ljust(16, b"\0")
    assert aes128_encrypt(key(told, "appkey_hex"), block).hex() == told[name]


# --- what the fields mean -----------------------------------------------------------------------------------------


def an_uplink(mhdr: int = 0x40, fport: int | None = 10, fctrl: int = 0, fopts: bytes = b"", payload: bytes = b"x"):
    behind = b"" if fport is None else bytes([fport]) + payload
    return bytes([mhdr]) + bytes(4) + bytes([fctrl | len(fopts), 1, 0]) + fopts + behind + bytes(4)


def row(field, value):
    (found,) = [told for told in FIELDS if (told["field"], told["value_or_range"]) == (field, value)]
    return found


@pytest.mark.parametrize("value", ["absent", "0"])
def test_a_frame_without_fport_or_with_0_holds_no_payload_for_us(value):
    """LoRaWAN 1.0.3, 4.3.2: such frames are the network's own."""
    assert row("FPort", value)["status"].startswith("FOUND")
    with pytest.raises(PhyPayloadError, match=r"^expected an FPort of 1 or more, got "):
        parse_data_uplink(an_uplink(fport=None if value == "absent" else 0))


@pytest.mark.parametrize("value", ["1..223", "224", "225..255"])
def test_every_other_fport_is_taken_apart(value):
    """225 to 255 are reserved (MEMORY): what they carry is for a codec to say."""
    assert row("FPort", value)
    for fport in map(int, value.split("..")):
        assert parse_data_uplink(an_uplink(fport=fport)).fport == fport


def test_mac_commands_in_front_of_the_fport_are_no_part_of_the_payload():
    assert row("FOptsLen", "0..15")
    for length in range(16):
        frame = parse_data_uplink(an_uplink(fopts=bytes(range(length))))
        assert (frame.fopts, frame.fport, frame.frm_payload) == (bytes(range(length)), 10, b"x")


def test_two_of_the_eight_message_types_are_uplinks_with_data():
    """LoRaWAN 1.0.3, Table 2: JoinReq, JoinAccept, UnconfUp, UnconfDown, ConfUp, ConfDown, RFU, Proprietary."""
    names = row("MHDR MType", "000..111")["meaning"].split(", ")
    taken = {"UnconfUp": False, "ConfUp": True}
    for number, name in enumerate(names):
        frame = an_uplink(mhdr=number << 5)
        if name in taken:
            assert parse_data_uplink(frame).confirmed is taken[name]
        else:
            with pytest.raises(PhyPayloadError, match=rf"\(type {number}\)$"):
                parse_data_uplink(frame)
