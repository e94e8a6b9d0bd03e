"""The canonical uplink: what it takes, how it writes it, and the sentence with which it refuses."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from loamline.edges.sentences import sentence
from loamline_schemas.uplink import Uplink

GIVEN = {"dev_eui": "02000000000000AA", "fport": 10, "fcnt": 7, "payload_hex": "01073A05DCA025002A"}


def read(**changes):
    """Return the uplink of a JSON text; Ellipsis leaves a key out."""
    told = {key: value for key, value in {**GIVEN, **changes}.items() if value is not ...}
    return Uplink.model_validate_json(json.dumps(told))


def refusal(**changes):
    """Return the sentence with which the JSON text is refused."""
    with pytest.raises(ValidationError) as problem:
        read(**changes)
    return sentence(problem.value)


# --- what it takes ------------------------------------------------------------------------------------------------


def test_the_four_necessary_facts_are_enough():
    uplink = read()
    assert (uplink.fport, uplink.fcnt, uplink.payload.hex()) == (10, 7, "01073a05dca025002a")
    assert (uplink.dev_addr, uplink.heard_at, uplink.confirmed, uplink.receptions) == (None, None, None, ())


def test_identifiers_are_written_in_upper_case():
    assert read(dev_eui="02000000000000aa").dev_eui == "02000000000000AA"
    assert read(dev_addr="26000fff").dev_addr == "26000FFF"


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("2026-05-01T10:00:00Z", datetime(2026, 5, 1, 10, tzinfo=UTC)),
        ("2026-05-01T12:00:00+02:00", datetime(2026, 5, 1, 10, tzinfo=UTC)),
        ("2026-05-01T10:00:00.123456Z", datetime(2026, 5, 1, 10, 0, 0, 123456, tzinfo=UTC)),
        ("2026-05-01T10:00:00.123456999Z", datetime(2026, 5, 1, 10, 0, 0, 123456, tzinfo=UTC)),
    ],
)
def test_times_become_utc_to_the_microsecond(text, instant):
    uplink = read(heard_at=text, receptions=[{"gateway": "east", "heard_at": text}])
    assert uplink.heard_at == uplink.receptions[0].heard_at == instant
    assert uplink.heard_at.tzinfo is UTC


@settings(max_examples=40)
@given(payload=st.binary(max_size=255))
def test_hex_and_base64_carry_the_same_bytes(payload):
    import base64

    by_base64 = read(payload_hex=..., payload_base64=base64.b64encode(payload).decode())
    assert read(payload_hex=payload.hex()).payload == read(payload_hex=payload.hex(" ").upper()).payload == payload
    assert by_base64.payload == payload


def test_an_empty_payload_is_an_uplink_that_a_codec_may_refuse_later():
    assert read(payload_hex="").payload == b""


# --- what it refuses ----------------------------------------------------------------------------------------------

OFFSET = "expected a time with its offset, such as 2026-05-01T10:00:00Z"
RFC_3339 = "expected an RFC 3339 date-time such as 2026-05-01T10:00:00Z"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"payload_hex": ...}, "expected exactly one of payload_hex and payload_base64, got neither"),
        (
            {"payload_base64": "AQc="},
            "expected exactly one of payload_hex and payload_base64, got payload_hex and payload_base64",
        ),
        ({"payload_hex": "00" * 256}, "expected a payload of at most 255 bytes, got 256"),
        ({"dev_eui": ...}, "dev_eui: expected a value, got nothing"),
        ({"dev_eui": "12"}, "dev_eui: expected text of the form ^[0-9A-Fa-f]{16}$, got '12'"),
        ({"dev_addr": "2600"}, "dev_addr: expected text of the form ^[0-9A-Fa-f]{8}$, got '2600'"),
        ({"fcnt": 7.5}, "fcnt: expected a whole number, got 7.5"),
        ({"fcnt": "7"}, "fcnt: expected a whole number, got '7'"),
        ({"fcnt": -1}, "fcnt: expected greater than or equal to 0, got -1"),
        ({"fcnt": 2**32}, "fcnt: expected less than or equal to 4294967295, got 4294967296"),
        ({"fport": 256}, "fport: expected less than or equal to 255, got 256"),
        ({"spreading_factor": 13}, "spreading_factor: expected less than or equal to 12, got 13"),
        ({"coding_rate": "4/9"}, "coding_rate: expected text of the form ^4/[5-8]$, got '4/9'"),
        ({"confirmed": "yes"}, "confirmed: expected true or false, got 'yes'"),
        ({"soil": 4}, "soil: expected no such field, got 4"),
        ({"receptions": {"gateway": "east"}}, "receptions: expected a list, got {'gateway': 'east'}"),
        (
            {"receptions": [{"gateway": "east", "rssi_dbm": "loud"}, {"snr_db": 3}]},
            "receptions.0.rssi_dbm: expected a number, got 'loud'; receptions.1.gateway: expected a value, got nothing",
        ),
        (
            {"receptions": [{"gateway": "a", "snr_db": float("nan")}]},
            "receptions.0.snr_db: expected a finite number, got nan",
        ),
        ({"heard_at": "2026-05-01T10:00:00"}, f"heard_at: {OFFSET}, got '2026-05-01T10:00:00'"),
        ({"heard_at": "yesterday"}, f"heard_at: {RFC_3339}, got 'yesterday'"),
        ({"heard_at": "2026-05-32T10:00:00Z"}, f"heard_at: {RFC_3339}, got '2026-05-32T10:00:00Z'"),
    ],
)
def test_what_does_not_fit_is_refused_in_one_sentence_expected_got_where(changes, expected):
    assert refusal(**changes) == expected


@pytest.mark.parametrize("number", [1777622400, 1777622400.5, "1777622400", "-1", "1.5e9", True])
def test_a_number_is_no_time_even_as_text(number):
    """Seconds, milliseconds, since when? A figure that is off by 1000 would be stored without a word."""
    assert refusal(heard_at=number) == f"heard_at: {RFC_3339}, got {number!r}"


@pytest.mark.parametrize("edge", ["0001-01-01T00:00:00+10:00", "9999-12-31T23:59:59-10:00"])
def test_a_time_that_utc_cannot_write_is_refused_and_raises_nothing_else(edge):
    assert refusal(heard_at=edge) == f"heard_at: expected a time in the years 1 to 9999 of UTC, got '{edge}'"


@pytest.mark.parametrize(
    ("key", "text"),
    [("payload_hex", "0"), ("payload_hex", "0x01"), ("payload_base64", "A*=="), ("payload_base64", "A")],
)
def test_a_payload_that_is_no_whole_bytes_is_refused_by_the_name_of_its_key(key, text):
    told = refusal(**{"payload_hex": ..., key: text})
    assert told.startswith(f"expected {key} to hold whole bytes, got text that does not decode: ")


def test_long_rubbish_is_shown_by_its_beginning():
    assert refusal(dev_addr="z" * 1000).endswith("got '" + "z" * 76 + "...")


def test_more_receptions_than_any_uplink_can_have_are_refused():
    """A counter of gateways would overflow; one such message must not stop the others."""
    many = [{"gateway": f"gateway-{number}"} for number in range(1025)]
    assert len(read(receptions=many[:1024]).receptions) == 1024
    assert refusal(receptions=many).startswith(
        "receptions: expected at most 1024 items after validation, not 1025, got "
    )


def test_an_uplink_does_not_change():
    with pytest.raises(ValidationError):
        read().fcnt = 8
