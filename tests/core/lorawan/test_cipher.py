"""The payload cipher: the same step both ways, over the whole counter; published values are in tests/published/."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.lorawan.blocks import Direction
from loamline.core.lorawan.cipher import frm_payload_cipher

KEY = bytes(range(16))
numbers_of_32_bits = st.integers(0, 0xFFFF_FFFF)


@given(
    key=st.binary(min_size=16, max_size=16),
    dev_addr=numbers_of_32_bits,
    fcnt=numbers_of_32_bits,
    payload=st.binary(max_size=242),
)
def test_the_same_step_enciphers_and_deciphers_and_keeps_the_length(key, dev_addr, fcnt, payload):
    enciphered = frm_payload_cipher(key, dev_addr, fcnt, payload)
    assert len(enciphered) == len(payload)
    assert frm_payload_cipher(key, dev_addr, fcnt, enciphered) == payload


@given(payload=st.binary(max_size=100), cut=st.integers(0, 100))
def test_a_shorter_payload_is_the_start_of_the_longer_one(payload, cut):
    assert frm_payload_cipher(KEY, 1, 2, payload[:cut]) == frm_payload_cipher(KEY, 1, 2, payload)[:cut]


def test_address_every_half_of_the_counter_and_direction_change_the_stream():
    zeros = bytes(16)
    streams = {
        frm_payload_cipher(KEY, 1, 2, zeros),
        frm_payload_cipher(KEY, 2, 1, zeros),
        frm_payload_cipher(KEY, 1, 2 + 0x1_0000, zeros),
        frm_payload_cipher(KEY, 1, 2, zeros, Direction.DOWNLINK),
        frm_payload_cipher(KEY, 1, 2, bytes(32))[16:],
    }
    assert len(streams) == 5


@pytest.mark.parametrize(
    ("key", "dev_addr", "fcnt", "payload", "expected"),
    [
        (KEY[:15], 1, 2, b"x", "expected an AES-128 key of 16 bytes, got 15"),
        (KEY * 2, 1, 2, b"x", "expected an AES-128 key of 16 bytes, got 32"),
        (KEY, 1 << 32, 2, b"x", "expected a DevAddr of 32 bits, got 4294967296"),
        (KEY, 1, -1, b"x", "expected a frame counter of 32 bits, got -1"),
        (KEY, 1, 2, bytes(4081), "expected a payload of at most 4080 bytes, got 4081"),
    ],
)
def test_what_is_no_key_address_counter_or_payload_is_refused(key, dev_addr, fcnt, payload, expected):
    with pytest.raises(ValueError, match=r"^expected") as problem:
        frm_payload_cipher(key, dev_addr, fcnt, payload)
    assert str(problem.value) == expected
