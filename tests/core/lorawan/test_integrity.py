"""The integrity code and the counter's upper half that it tells; published values are in tests/published/."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.lorawan.aes import aes128_encrypt
from loamline.core.lorawan.integrity import UPPER_HALVES, data_frame_mic, uplink_fcnt
from loamline.core.lorawan.key_wrap import KeyUnwrapError, unwrap_key

KEY = bytes(range(16))
DEV_ADDR = 0x26011BDA


@given(fcnt=st.integers(0, (len(UPPER_HALVES) << 16) - 1), message=st.binary(min_size=8, max_size=60))
def test_the_whole_counter_is_found_from_its_lower_half_and_the_code(fcnt, message):
    mic = data_frame_mic(KEY, DEV_ADDR, fcnt, message)
    assert uplink_fcnt(KEY, DEV_ADDR, fcnt & 0xFFFF, message, mic) == fcnt


def test_a_counter_beyond_the_upper_halves_that_are_tried_is_not_found():
    fcnt = len(UPPER_HALVES) << 16
    assert uplink_fcnt(KEY, DEV_ADDR, 0, b"message.", data_frame_mic(KEY, DEV_ADDR, fcnt, b"message.")) is None


@given(flipped=st.integers(0, 12 * 8 - 1))
def test_any_flipped_bit_of_message_or_code_is_noticed(flipped):
    whole = bytearray(b"message." + data_frame_mic(KEY, DEV_ADDR, 9, b"message."))
    whole[flipped // 8] ^= 1 << flipped % 8
    assert uplink_fcnt(KEY, DEV_ADDR, 9, bytes(whole[:-4]), bytes(whole[-4:])) is None


def test_a_code_of_another_length_is_never_right():
    mic = data_frame_mic(KEY, DEV_ADDR, 9, b"message.")
    assert uplink_fcnt(KEY, DEV_ADDR, 9, b"message.", mic[:3]) is None


@pytest.mark.parametrize(
    ("called", "expected"),
    [
        (lambda: data_frame_mic(KEY, DEV_ADDR, 0, bytes(256)), "expected a message of at most 255 bytes, got 256"),
        (lambda: data_frame_mic(KEY[1:], DEV_ADDR, 0, b""), "expected an AES-128 key of 16 bytes, got 15"),
        (lambda: data_frame_mic(KEY, DEV_ADDR, 1 << 32, b""), "expected a frame counter of 32 bits, got 4294967296"),
        (lambda: aes128_encrypt(KEY, bytes(17)), "expected whole blocks of 16 bytes, got 17 bytes"),
    ],
)
def test_what_can_have_no_code_is_refused(called, expected):
    with pytest.raises(ValueError, match=r"^expected") as problem:
        called()
    assert str(problem.value) == expected


@pytest.mark.parametrize(
    ("kek", "wrapped", "expected"),
    [
        (KEY[1:], bytes(24), "expected a key encryption key of 16, 24 or 32 bytes, got 15"),
        (KEY, bytes(16), "expected a wrapped key of 24 bytes, got 16"),
        (
            KEY,
            bytes(24),
            "expected a key wrapped by this key encryption key (RFC 3394), got one wrapped by another, or damaged",
        ),
    ],
)
def test_a_wrapped_key_that_does_not_fit_is_refused(kek, wrapped, expected):
    with pytest.raises(KeyUnwrapError) as problem:
        unwrap_key(kek, wrapped)
    assert str(problem.value) == expected
