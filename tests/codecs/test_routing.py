"""Which codec reads a message: by FPort and the leading bits of byte 0; and why none does, in whole sentences."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline_codecs import Match, Refusal, builtin_codecs

_VERSIONS = (
    "expected on FPort 10 a payload version that is known: 1 in the first 8 bits (measurement-v1), 2 in the first "
    "4 bits (measurement-v2), 3 in the first 4 bits (measurement-v3), 4 in the first 4 bits (measurement-v4); got "
)
_STATUS = "expected on FPort 11 a payload version that is known: 1 in the first 4 bits (status-v1); got "


@pytest.mark.parametrize(
    ("fport", "payload", "name"),
    [
        (10, "01", "measurement-v1"),
        (10, "20", "measurement-v2"),
        (10, "2f", "measurement-v2"),
        (10, "30", "measurement-v3"),
        (10, "3f", "measurement-v3"),
        (10, "40", "measurement-v4"),
        (10, "4f", "measurement-v4"),
        (11, "10", "status-v1"),
        (11, "1f", "status-v1"),
    ],
)
def test_a_message_goes_to_the_codec_of_its_port_and_first_bits(fport: int, payload: str, name: str) -> None:
    codec = builtin_codecs().codec_for(fport, bytes.fromhex(payload))
    assert not isinstance(codec, Refusal)
    assert codec.name == name


# LoRaWAN 1.0.3, section 4.3.2: FPort 0 carries MAC commands, 224 the test protocol; 225 up are reserved.
@pytest.mark.parametrize("fport", [0, 1, 9, 12, 223, 224, 225, 255])
@pytest.mark.parametrize("payload", ["", "01073A05DCA025002A"])
def test_a_message_on_another_port_is_refused_with_the_known_ones(fport: int, payload: str) -> None:
    expected = Refusal("port", f"expected FPort 10 or 11, got {fport}")
    assert builtin_codecs().parse(fport, bytes.fromhex(payload)) == expected


@pytest.mark.parametrize(
    ("fport", "first", "sentence"),
    [
        (10, 0x00, f"{_VERSIONS}byte 0 = 0x00"),
        (10, 0x02, f"{_VERSIONS}byte 0 = 0x02"),
        (10, 0x11, f"{_VERSIONS}byte 0 = 0x11"),
        (10, 0x50, f"{_VERSIONS}byte 0 = 0x50"),
        (10, 0xFF, f"{_VERSIONS}byte 0 = 0xFF"),
        (11, 0x00, f"{_STATUS}byte 0 = 0x00"),
        (11, 0x0F, f"{_STATUS}byte 0 = 0x0F"),
        (11, 0x20, f"{_STATUS}byte 0 = 0x20"),
    ],
)
def test_an_unknown_version_is_refused_with_the_known_ones(fport: int, first: int, sentence: str) -> None:
    assert builtin_codecs().parse(fport, bytes([first]) + bytes(8)) == Refusal("version", sentence)


@pytest.mark.parametrize("fport", [10, 11])
def test_an_empty_payload_is_refused_for_its_length(fport: int) -> None:
    assert builtin_codecs().parse(fport, b"") == Refusal("length", f"expected a payload on FPort {fport}, got 0 bytes")


@given(st.integers(0, 255), st.binary(max_size=20))
def test_a_batch_routes_a_message_as_it_is_routed_alone(fport: int, payload: bytes) -> None:
    codecs = builtin_codecs()
    decoded = codecs.decode(np.array([fport], np.uint8), pa.array([payload], pa.binary()))
    alone = codecs.parse(fport, payload)
    assert decoded.refusals == ({0: alone} if isinstance(alone, Refusal) else {})


@given(st.integers(0, 8), st.data())
def test_a_match_holds_every_first_byte_with_its_leading_bits(leading_bits: int, data: st.DataObject) -> None:
    value = data.draw(st.integers(0, (1 << leading_bits) - 1))
    matching = [byte for byte in range(256) if byte >> (8 - leading_bits) == value]
    assert list(Match(10, leading_bits, value).first_bytes) == matching
