"""Whole LoRaWAN frames in: whose they are, whether they are right, and what is kept where they are not."""

import json
import logging
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.edges.envelopes.phypayload import phypayload_reader
from loamline.edges.keys_file import Keys, SessionKeys
from loamline.edges.messages import Accepted, Rejected
from loamline_schemas.uplink import Reception, Uplink
from tests.support.lorawan_frames import NEIGHBOUR, SESSION, shapes_of

HEARD_AT = "2026-05-01T10:00:00Z"
PAYLOAD = bytes.fromhex("01073a05dca025002a")
SECRETS = shapes_of(*(key for one in (SESSION, NEIGHBOUR) for key in (one.nwk_s_key, one.app_s_key)))


def keys_of(*sessions, nwk=True, app=True, dev_addr=True):
    return Keys(
        SessionKeys(
            one.dev_eui,
            one.dev_addr if dev_addr else None,
            one.nwk_s_key if nwk else None,
            one.app_s_key if app else None,
        )
        for one in sessions
    )


def message(frame, **more):
    told = {"phy_payload_hex": frame.hex(), "heard_at": HEARD_AT, "receptions": [{"gateway": "g1", "rssi_dbm": -101}]}
    return json.dumps({**told, **more}).encode()


def read(keys, content):
    (one,) = phypayload_reader(keys)(content, "here")
    return one


def uplink(keys, content):
    one = read(keys, content)
    assert isinstance(one, Accepted), one
    assert one.envelope == content
    return one.uplink


def refusal(keys, content):
    one = read(keys, content)
    assert isinstance(one, Rejected), one
    assert (one.source, one.content, one.kind) == ("here", content, "phypayload")
    assert [secret for secret in SECRETS if secret in one.detail] == []
    return one.detail.removeprefix("here: ")


# --- what comes out ------------------------------------------------------------------------------------------------


def test_a_frame_becomes_the_canonical_uplink_that_its_network_would_have_told():
    radio = {"frequency_hz": 868_100_000, "spreading_factor": 9, "bandwidth_hz": 125_000, "coding_rate": "4/5"}
    content = message(SESSION.frame(confirmed=True, fopts=b"\x02"), **radio, network="roof")
    assert uplink(keys_of(SESSION), content) == Uplink(
        dev_eui=SESSION.dev_eui,
        dev_addr=SESSION.dev_addr,
        fport=10,
        fcnt=7,
        payload_hex=PAYLOAD.hex(),
        heard_at=datetime(2026, 5, 1, 10, tzinfo=UTC),
        confirmed=True,
        network="roof",
        receptions=(Reception(gateway="g1", rssi_dbm=-101),),
        **radio,
    )


def test_the_least_that_a_message_needs_is_the_frame():
    content = json.dumps({"phy_payload_hex": SESSION.frame().hex().upper()}).encode()
    told = uplink(keys_of(SESSION), content)
    assert (told.payload, told.heard_at, told.receptions) == (PAYLOAD, None, ())


@pytest.mark.parametrize("fcnt", [0, 65_535, 65_536, 70_000, 131_072, 1_048_575])
def test_the_counters_upper_half_is_found_by_the_integrity_code(fcnt):
    told = uplink(keys_of(SESSION), message(SESSION.frame(fcnt=fcnt)))
    assert (told.fcnt, told.payload) == (fcnt, PAYLOAD)


def test_a_counter_beyond_those_that_are_tried_is_kept_as_a_wrong_code():
    assert "upper half is 0 to 15" in refusal(keys_of(SESSION), message(SESSION.frame(fcnt=1_048_576)))


def test_without_the_nwk_s_key_the_upper_half_is_taken_as_0_and_a_later_payload_is_noise():
    """As the module says: nothing else in the frame tells it."""
    keys = keys_of(SESSION, nwk=False)
    assert uplink(keys, message(SESSION.frame(fcnt=65_535))).payload == PAYLOAD
    later = uplink(keys, message(SESSION.frame(fcnt=65_536 + 7)))
    assert (later.fcnt, len(later.payload), later.payload == PAYLOAD) == (7, len(PAYLOAD), False)


def test_a_wrong_app_s_key_is_not_noticed_here():
    """As the module says: the integrity code is made with the other key."""
    told = uplink(keys_of(replace(SESSION, app_s_key=bytes(16))), message(SESSION.frame()))
    assert (len(told.payload), told.payload == PAYLOAD) == (len(PAYLOAD), False)


def test_an_empty_payload_needs_no_app_s_key():
    assert uplink(keys_of(SESSION, app=False), message(SESSION.frame(b""))).payload == b""


# --- whose it is ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sender", [SESSION, NEIGHBOUR])
def test_of_probes_with_the_same_dev_addr_the_code_tells_which_one_sent_it(sender):
    told = uplink(keys_of(SESSION, NEIGHBOUR), message(sender.frame()))
    assert (told.dev_eui, told.payload) == (sender.dev_eui, PAYLOAD)


def test_probes_with_the_same_dev_addr_cannot_be_told_apart_without_a_nwk_s_key():
    keys = Keys([*keys_of(NEIGHBOUR).sessions_at(NEIGHBOUR.dev_addr), *_without_nwk(SESSION)])
    assert uplink(keys, message(NEIGHBOUR.frame())).dev_eui == NEIGHBOUR.dev_eui
    assert refusal(keys, message(SESSION.frame())) == (
        "expected the NwkSKey of each probe with DevAddr 26011BDA (02BB000000000001, 02BB000000000002), by which to "
        "tell whose frame it is, got some without; add them to the keys file and read the message again"
    )


def _without_nwk(session):
    return keys_of(session, nwk=False).sessions_at(session.dev_addr)


def test_two_probes_with_the_same_dev_addr_and_nwk_s_key_are_told_as_a_fault_of_the_keys():
    twin = replace(NEIGHBOUR, nwk_s_key=SESSION.nwk_s_key)
    assert refusal(keys_of(SESSION, twin), message(SESSION.frame())) == (
        "expected one probe whose NwkSKey makes the MIC right, got 02BB000000000001, 02BB000000000002 with the same "
        "key; put the keys file right and read the message again"
    )


def test_a_probe_that_the_message_names_may_have_keys_without_a_dev_addr():
    keys = keys_of(SESSION, dev_addr=False)
    told = uplink(keys, message(SESSION.frame(), dev_eui=SESSION.dev_eui.lower()))
    assert (told.dev_eui, told.dev_addr, told.payload) == (SESSION.dev_eui, SESSION.dev_addr, PAYLOAD)
    assert refusal(keys, message(SESSION.frame())).startswith("expected the AppSKey of a probe with DevAddr 26011BDA")


def test_a_probe_that_the_message_names_has_to_be_the_one_that_made_the_code():
    told = refusal(keys_of(SESSION, NEIGHBOUR), message(SESSION.frame(), dev_eui=NEIGHBOUR.dev_eui))
    assert told.startswith("expected a MIC made with the NwkSKey of 02BB000000000002 ")


# --- what is kept --------------------------------------------------------------------------------------------------


def test_a_wrong_code_is_rejected_with_its_reason():
    frame = SESSION.frame()
    assert refusal(keys_of(SESSION), message(frame[:-1] + bytes([frame[-1] ^ 1]))) == (
        "expected a MIC made with the NwkSKey of 02BB000000000001 under a frame counter whose upper half is 0 to 15, "
        f"got {frame[-4:-1].hex().upper()}{frame[-1] ^ 1:02X}, which fits none; "
        "the frame is damaged or forged, or the keys are those of another session"
    )


@pytest.mark.parametrize(
    ("keys", "more", "expected"),
    [
        (
            Keys.none(),
            {},
            (
                "expected the AppSKey of a probe with DevAddr 26011BDA in the keys file, got none; "
                "add its line with that dev_addr and read the message again"
            ),
        ),
        (
            keys_of(NEIGHBOUR),
            {"dev_eui": SESSION.dev_eui},
            (
                "expected the AppSKey of 02BB000000000001 for DevAddr 26011BDA in the keys file, got none; "
                "add its line and read the message again"
            ),
        ),
        (
            keys_of(SESSION, app=False),
            {},
            (
                "expected the AppSKey of 02BB000000000001 for DevAddr 26011BDA in the keys file, got none; "
                "add it and read the message again"
            ),
        ),
    ],
    ids=["no keys", "no keys of the probe", "no AppSKey"],
)
def test_a_frame_without_its_key_is_kept_whole_and_read_once_the_key_is_there(keys, more, expected):
    content = message(SESSION.frame(), **more)
    assert refusal(keys, content) == expected
    assert uplink(keys_of(SESSION), content).payload == PAYLOAD


JOIN_REQUEST = bytes(23)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"{", "expected JSON, got EOF while parsing an object at line 1 column 1"),
        (b"[{]", "expected JSON, got Expecting property name enclosed in double quotes: line 1 column 3 (char 2)"),
        (b"[]", "expected a frame or a list of frames, got an empty list"),
        (b"7", "expected an object, got 7"),
        (b"{}", "phy_payload_hex: expected a value, got nothing"),
        (message(b""), "expected a LoRaWAN frame, got 0 bytes"),
        (message(JOIN_REQUEST), "expected a data uplink (message type 2 or 4), got a join request (type 0)"),
        (
            message(SESSION.frame(fport=0)),
            "expected an FPort of 1 or more, got 0, which carries MAC commands for the network",
        ),
        (message(SESSION.frame(), fcnt=7), "fcnt: expected no such field, got 7"),
        (message(SESSION.frame(), dev_eui="02BB"), "dev_eui: expected text of the form ^[0-9A-Fa-f]{16}$, got '02BB'"),
        (
            message(SESSION.frame(), phy_payload_hex="40d"),
            "phy_payload_hex: expected text of the form ^([0-9A-Fa-f]{2})*$, got '40d'",
        ),
        (
            message(SESSION.frame(), heard_at=1_777_000_000),
            "heard_at: expected an RFC 3339 date-time such as 2026-05-01T10:00:00Z, got 1777000000",
        ),
        (message(SESSION.frame(), spreading_factor=13), "spreading_factor: expected less than or equal to 12, got 13"),
    ],
)
def test_what_is_no_frame_for_us_is_kept_with_a_sentence(content, expected):
    assert refusal(keys_of(SESSION), content) == expected


def test_each_item_of_a_list_stands_for_itself():
    items = [json.loads(message(SESSION.frame(fcnt=1))), 7, json.loads(message(SESSION.frame(fcnt=2)))]
    first, second, third = phypayload_reader(keys_of(SESSION))(json.dumps(items).encode(), "line 3")
    assert [first.uplink.fcnt, third.uplink.fcnt] == [1, 2]
    assert second == Rejected("line 3[1]", "line 3[1]: expected an object, got 7", b"7", "phypayload")
    assert json.loads(third.envelope) == items[2]


# --- whatever comes ------------------------------------------------------------------------------------------------

FRAMES = [
    SESSION.frame(),
    SESSION.frame(b"", fopts=b"\x02\x03"),
    NEIGHBOUR.frame(bytes(40), fcnt=70_000, confirmed=True),
]


@settings(max_examples=300, deadline=None)
@given(data=st.data(), whole=st.sampled_from(FRAMES))
def test_a_damaged_frame_is_never_an_uplink_where_its_code_can_be_checked(data, whole):
    """Cut, extended or with flipped bits: kept whole, with a sentence that tells no key."""
    kind = data.draw(st.sampled_from(["cut", "extended", "flipped"]))
    if kind == "cut":
        damaged = whole[: data.draw(st.integers(0, len(whole) - 1))]
    elif kind == "extended":
        damaged = whole + data.draw(st.binary(min_size=1, max_size=20))
    else:
        bits = data.draw(st.sets(st.integers(0, len(whole) * 8 - 1), min_size=1, max_size=5))
        # The reserved bits of MHDR mean nothing, but the code covers them like all others.
        damaged = (int.from_bytes(whole, "little") ^ sum(1 << bit for bit in bits)).to_bytes(len(whole), "little")
    assert refusal(keys_of(SESSION, NEIGHBOUR), message(damaged)).startswith("expected ")


@settings(max_examples=200, deadline=None)
@given(
    frame=st.binary(max_size=60).map(lambda rest: bytes.fromhex("40da1b0126") + rest) | st.binary(max_size=300),
    keys=st.sampled_from([Keys.none(), keys_of(SESSION), keys_of(SESSION, nwk=False), keys_of(SESSION, app=False)]),
)
def test_any_bytes_as_a_frame_end_in_an_uplink_or_a_sentence(frame, keys):
    one = read(keys, message(frame))
    assert isinstance(one, Accepted) or one.detail.startswith(("here: expected ", "here: phy_payload_hex: expected "))


@settings(max_examples=200, deadline=None)
@given(
    content=st.binary(max_size=80)
    | st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(["phy_payload_hex", "heard_at", "receptions", "network", "x"]), inner)
        ),
        max_leaves=12,
    ).map(lambda value: json.dumps(value).encode())
)
def test_any_bytes_as_a_message_are_answered_and_raise_nothing(content):
    told = phypayload_reader(keys_of(SESSION))(content, "here")
    assert told
    assert all(isinstance(one, Rejected) and one.kind == "phypayload" for one in told)


@pytest.mark.parametrize(
    "content",
    [b"[" * 100_000, b"[" + b"9" * 5_000 + b"]", b"[\xff]", b"{\xff}", b'[{"network": "\\ud800"}]', b"[1e999]"],
    ids=["deep", "huge number", "no UTF-8", "no UTF-8 in an object", "half a surrogate", "beyond floats"],
)
def test_json_that_hurts_is_kept_with_a_sentence(content):
    (one,) = phypayload_reader(keys_of(SESSION))(content, "here")
    assert isinstance(one, Rejected)
    assert "expected " in one.detail


class _KeysThatFail(Keys):
    __slots__ = ()

    def sessions_at(self, dev_addr):
        raise RuntimeError(dev_addr, SESSION.app_s_key.hex())


def test_a_fault_of_our_own_is_told_by_its_kind_alone_and_the_message_kept():
    """What it says may hold a key."""
    told = refusal(_KeysThatFail(), message(SESSION.frame()))
    assert told == "expected a LoRaWAN frame, got one that ended in RuntimeError"


def test_no_answer_or_log_shows_a_key(caplog):
    """Nor does the reader itself, which holds them."""
    caplog.set_level(logging.DEBUG)
    reader = phypayload_reader(keys_of(SESSION, NEIGHBOUR))
    frames = [*FRAMES, FRAMES[0][:-1], FRAMES[0][:9], JOIN_REQUEST]
    shown = repr([reader, *(reader(message(frame), "here") for frame in frames)]) + caplog.text
    assert [secret for secret in SECRETS if secret in shown] == []
