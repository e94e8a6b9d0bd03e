"""AES, its integrity code and wrapped keys against the examples of FIPS 197, RFC 4493 and RFC 3394.

The examples are from MEMORY of those texts, each COMPUTED again and equal (README.md beside this file).
"""

import json
from pathlib import Path

import pytest

from loamline.core.lorawan.aes import aes128_encrypt, aes_cmac
from loamline.core.lorawan.key_wrap import unwrap_key

TOLD = json.loads((Path(__file__).parent / "crypto_primitive_vectors.json").read_text())
CMAC = TOLD["rfc4493_section4"]
APP_S_KEY = TOLD["appskey_envelope_example"]


def test_aes_128_gives_the_ciphertext_of_fips_197_appendix_c_1():
    told = TOLD["fips197_appendix_C1"]
    enciphered = aes128_encrypt(bytes.fromhex(told["key_hex"]), bytes.fromhex(told["plaintext_hex"]))
    assert enciphered.hex() == told["ciphertext_hex"]


@pytest.mark.parametrize("told", CMAC["vectors"], ids=lambda told: f"{told['len']} bytes")
def test_aes_cmac_gives_the_codes_of_rfc_4493_section_4(told):
    message = bytes.fromhex(told["message_hex"])
    assert len(message) == told["len"]
    assert aes_cmac(bytes.fromhex(CMAC["key_hex"]), message).hex() == told["cmac_hex"]


@pytest.mark.parametrize("told", TOLD["rfc3394_section4"], ids=lambda told: told["rfc_section"])
def test_a_key_is_unwrapped_as_in_rfc_3394_section_4(told):
    """128 bits of key under key encryption keys of 128, 192 and 256 bits."""
    assert unwrap_key(bytes.fromhex(told["kek_hex"]), bytes.fromhex(told["wrapped_hex"])).hex() == told["key_data_hex"]


def test_an_app_s_key_comes_out_of_its_envelope():
    """COMPUTED: the AppSKey of the frame vectors, wrapped after RFC 3394."""
    wrapped = bytes.fromhex(APP_S_KEY["AESKey"])
    assert unwrap_key(bytes.fromhex(APP_S_KEY["kek_hex"]), wrapped).hex() == APP_S_KEY["appskey_hex"]
