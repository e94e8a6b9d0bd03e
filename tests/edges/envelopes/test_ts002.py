"""TS002 in and its answer; names of members are from memory of TS002-1.1.0 (LoRa Alliance), not checked against it.

The frames and session keys are public test vectors, each computed again by LoRaWAN 1.0.3, 4.3.3 and 4.4 (see
tests/published/README.md): payload "test" under frame counter 2.
"""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.core.lorawan.integrity import data_frame_mic
from loamline.edges.envelopes.ts002 import ts002_answer, ts002_reader
from loamline.edges.keys_file import Keys, SessionKeys
from loamline.edges.messages import Accepted, Rejected
from loamline_schemas.uplink import Reception, Uplink

DEV_EUI, DEV_ADDR = "AABBCCDDEEFF0011", "49BE7DF1"
NWK_S_KEY = bytes.fromhex("44024241ed4ce9a68c6a8bc055233fd3")
APP_S_KEY = bytes.fromhex("ec925802ae430ca77fd3dd73cb2cc588")
CLEAR, ENCIPHERED = "74657374", "95437876"
FRAME = "40F17DBE4900020001954378762B11FF0D"
NO_KEYS = Keys.none()
KEYS = Keys([SessionKeys(DEV_EUI, DEV_ADDR, NWK_S_KEY, APP_S_KEY)])
KEYS_OF_ANOTHER = Keys([SessionKeys("AABBCCDDEEFF0099", "01020304", NWK_S_KEY, APP_S_KEY)])
ABSENT = object()


def request(payload=None, **changes):
    """Return a request of the sample's shape; `meta_X` changes ULMetaData's member X, ABSENT takes one out."""
    told = {
        "ProtocolVersion": "1.0",
        "SenderID": "000013",
        "ReceiverID": "org.example.soil",
        "TransactionID": 1234567,
        "MessageType": "XmitDataReq",
        **({"FRMPayload": CLEAR} if payload is None else payload),
        "ULMetaData": {
            "DevEUI": DEV_EUI,
            "DevAddr": DEV_ADDR,
            "FPort": 1,
            "FCntUp": 2,
            "FCntDown": 0,
            "Confirmed": False,
            "DataRate": 5,
            "ULFreq": 868.1,
            "Margin": 10,
            "Battery": 254,
            "RecvTime": "2026-04-01T12:00:00Z",
            "RFRegion": "EU868",
            "GWCnt": 2,
            "GWInfo": [
                {"ID": "0102030405060708", "RFRegion": "EU868", "RSSI": -97, "SNR": 7.5, "Lat": 52.1, "Lon": 5.2},
                {"ID": "0102030405060709", "RFRegion": "EU868", "RSSI": -113, "SNR": -4.2},
            ],
        },
    }
    for name, value in changes.items():
        part, member = (told["ULMetaData"], name[5:]) if name.startswith("meta_") else (told, name)
        if value is ABSENT:
            del part[member]
        else:
            part[member] = value
    return told


def content(told):
    return json.dumps(told).encode()


def read(told, keys=NO_KEYS):
    (incoming,) = ts002_reader(keys)(content(told), "here")
    return incoming


def uplink(told, keys=NO_KEYS):
    incoming = read(told, keys)
    assert isinstance(incoming, Accepted), incoming.detail
    return incoming.uplink


def refusal(told, keys=NO_KEYS):
    """Return the sentence and the result code, of a message that is kept whole."""
    incoming = read(told, keys)
    assert isinstance(incoming, Rejected)
    assert (incoming.source, incoming.kind, incoming.content) == ("here", "ts002", content(told))
    return incoming.detail, answered(told, incoming)["Result"]["ResultCode"]


def answered(told, incoming, *, stored=True):
    status, answer = ts002_answer(content(told), [incoming], stored=stored)
    assert status == (200 if stored else 503)
    return answer


# --- what a request becomes ---------------------------------------------------------------------------------------


def test_a_request_becomes_the_canonical_uplink():
    assert uplink(request()) == Uplink(
        dev_eui=DEV_EUI,
        dev_addr=DEV_ADDR,
        fport=1,
        fcnt=2,
        payload_hex=CLEAR,
        heard_at=datetime(2026, 4, 1, 12, tzinfo=UTC),
        frequency_hz=868_100_000,
        spreading_factor=7,
        bandwidth_hz=125_000,
        confirmed=False,
        network="000013",
        receptions=(
            Reception(gateway="0102030405060708", rssi_dbm=-97, snr_db=7.5, latitude_deg=52.1, longitude_deg=5.2),
            Reception(gateway="0102030405060709", rssi_dbm=-113, snr_db=-4.2),
        ),
    )


@pytest.mark.parametrize("form", [str.lower, str.upper, lambda digits: "0x" + digits, lambda digits: "0X" + digits])
def test_hex_may_have_0x_in_front_and_letters_of_either_case(form):
    told = request({"FRMPayload": form("0aBC")}, meta_DevEUI=form(DEV_EUI), meta_DevAddr=form(DEV_ADDR))
    told["ULMetaData"]["GWInfo"][0]["ID"] = form("0102030405060708")
    assert uplink(told) == uplink(request({"FRMPayload": "0ABC"}))


def test_members_that_are_not_known_are_let_through_unread():
    told = request(VSExtension={"VendorID": 7}, meta_FNSULToken=[], meta_Margin="of another type")
    told["ULMetaData"]["GWInfo"][0] |= {"FineRecvTime": None, "Colour": "green"}
    assert uplink(told) == uplink(request())


def test_what_is_optional_may_be_null_or_missing():
    bare = request()
    bare["ULMetaData"] = {"DevEUI": DEV_EUI, "FPort": 1, "FCntUp": 2, "GWInfo": None, "RecvTime": None}
    assert uplink(bare) == Uplink(dev_eui=DEV_EUI, fport=1, fcnt=2, payload_hex=CLEAR, network="000013")


@pytest.mark.parametrize(
    ("region", "index", "modulation"),
    [
        ("EU868", 0, (12, 125_000)),
        ("US902", 4, (8, 500_000)),
        ("EU868", 7, (None, None)),
        ("EU868", 15, (None, None)),
        ("KR920", 5, (None, None)),
    ],
)
def test_the_spreading_factor_is_that_of_the_regions_data_rate_or_unknown(region, index, modulation):
    told = uplink(request(meta_RFRegion=region, meta_DataRate=index))
    assert (told.spreading_factor, told.bandwidth_hz) == modulation


def test_the_region_is_the_first_gateways_where_the_uplink_tells_none():
    assert uplink(request(meta_RFRegion=ABSENT)).spreading_factor == 7


@example(hundreds=2_560_001)  # whose product with a million falls short of the whole number
@given(hundreds=st.integers(1_370_000, 10_200_000))
def test_the_frequency_comes_out_to_the_hertz(hundreds):
    """From 137 MHz to 1.02 GHz in steps of 100 Hz, the finest in which LoRaWAN commands tell one."""
    assert uplink(request(meta_ULFreq=hundreds / 10_000)).frequency_hz == hundreds * 100


# --- the payload --------------------------------------------------------------------------------------------------


def test_an_enciphered_payload_is_deciphered_with_the_probes_key():
    assert uplink(request({"FRMPayload": ENCIPHERED}), KEYS).payload == b"test"


@settings(deadline=None)
@given(payload=st.binary(max_size=242), fcnt=st.integers(0, 0xFFFF_FFFF))
def test_any_payload_comes_out_as_it_went_in_under_all_32_bits_of_the_counter(payload, fcnt):
    enciphered = frm_payload_cipher(APP_S_KEY, int(DEV_ADDR, 16), fcnt, payload)
    told = uplink(request({"FRMPayload": enciphered.hex()}, meta_FCntUp=fcnt), KEYS)
    assert (told.payload, told.fcnt) == (payload, fcnt)


def test_with_keys_told_a_probe_without_its_own_is_refused_as_noise_must_not_pass_for_readings():
    detail, code = refusal(request({"FRMPayload": ENCIPHERED}), KEYS_OF_ANOTHER)
    assert code == "UnknownDevEUI"
    assert detail == (
        "here: expected the AppSKey of AABBCCDDEEFF0011 for DevAddr 49BE7DF1 in the keys file, got none; "
        "add it and read the message again"
    )


def test_nothing_can_be_deciphered_without_the_session_address():
    detail, code = refusal(request(meta_DevAddr=ABSENT), KEYS)
    assert code == "MalformedRequest"
    assert detail.startswith("here: ULMetaData.DevAddr: expected a value")


@pytest.mark.parametrize("changes", [{}, {"meta_DevEUI": ABSENT}, {"meta_FCntUp": ABSENT, "meta_FPort": ABSENT}])
def test_a_whole_frame_is_checked_and_deciphered_also_where_the_frame_alone_tells_whose_it_is(changes):
    told = uplink(request({"PHYPayload": "0x" + FRAME}, **changes), KEYS)
    assert told == uplink(request())


def test_of_probes_with_one_address_the_frame_is_that_ones_whose_key_makes_the_mic():
    keys = Keys(
        [
            SessionKeys("00000000000000AA", DEV_ADDR, APP_S_KEY, APP_S_KEY),
            SessionKeys(DEV_EUI, DEV_ADDR, NWK_S_KEY, APP_S_KEY),
        ]
    )
    assert uplink(request({"PHYPayload": FRAME}, meta_DevEUI=ABSENT), keys).dev_eui == DEV_EUI


def test_of_probes_with_one_address_none_is_guessed_where_their_keys_do_not_tell():
    both = [SessionKeys(dev_eui, DEV_ADDR, None, APP_S_KEY) for dev_eui in (DEV_EUI, "00000000000000AA")]
    assert refusal(request({"PHYPayload": FRAME}, meta_DevEUI=ABSENT), Keys(both))[1] == "UnknownDevEUI"
    same = [SessionKeys(dev_eui, DEV_ADDR, NWK_S_KEY, APP_S_KEY) for dev_eui in (DEV_EUI, "00000000000000AA")]
    detail, code = refusal(request({"PHYPayload": FRAME}, meta_DevEUI=ABSENT), Keys(same))
    assert (code, "00000000000000AA, AABBCCDDEEFF0011 with the same key" in detail) == ("UnknownDevEUI", True)


@pytest.mark.parametrize("nwk_s_key", [NWK_S_KEY, None])
def test_the_counter_that_the_network_tells_gives_a_frame_its_upper_half(nwk_s_key):
    fcnt = 0x0123_0002
    address = int(DEV_ADDR, 16)
    message = bytes.fromhex(FRAME)[:9] + frm_payload_cipher(APP_S_KEY, address, fcnt, b"test")
    frame = message + data_frame_mic(NWK_S_KEY, address, fcnt, message)
    keys = Keys([SessionKeys(DEV_EUI, DEV_ADDR, nwk_s_key, APP_S_KEY)])
    told = uplink(request({"PHYPayload": frame.hex()}, meta_FCntUp=fcnt), keys)
    assert (told.fcnt, told.payload) == (fcnt, b"test")


@pytest.mark.parametrize("fcnt", [2, ABSENT])
def test_a_frame_with_a_wrong_mic_is_refused(fcnt):
    detail, code = refusal(request({"PHYPayload": FRAME[:-2] + "0E"}, meta_FCntUp=fcnt), KEYS)
    assert code == "MICFailed"
    assert "got 2B11FF0E" in detail


@given(bit=st.integers(0, len(FRAME) * 4 - 1))
def test_a_frame_with_any_bit_flipped_is_refused(bit):
    flipped = int(FRAME, 16) ^ (1 << bit)
    assert isinstance(read(request({"PHYPayload": f"{flipped:034X}"}), KEYS), Rejected)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"meta_DevAddr": "00000001"}, "ULMetaData.DevAddr: expected 49BE7DF1, as the PHYPayload has, got 00000001"),
        ({"meta_FPort": 9}, "ULMetaData.FPort: expected 1, as the PHYPayload has, got 9"),
        ({"meta_FCntUp": 65_539}, "ULMetaData.FCntUp, lower half: expected 2, as the PHYPayload has, got 3"),
    ],
)
def test_a_frame_and_what_is_told_of_it_must_agree(changes, told):
    assert refusal(request({"PHYPayload": FRAME}, **changes), KEYS) == (f"here: {told}", "MalformedRequest")


# --- what is refused ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "sentence", "code"),
    [
        (request(ULMetaData=ABSENT), "ULMetaData: expected a value, got nothing", "MalformedRequest"),
        (request(meta_DevEUI=ABSENT), "ULMetaData.DevEUI: expected a value beside FRMPayload, got nothing", ...),
        (request(meta_FPort=ABSENT), "ULMetaData.FPort: expected a value beside FRMPayload, got nothing", ...),
        (request(meta_FCntUp=ABSENT), "ULMetaData.FCntUp: expected a value beside FRMPayload, got nothing", ...),
        (request(meta_FCntUp="2"), "ULMetaData.FCntUp: expected a whole number, got '2'", ...),
        (request(meta_FCntUp=True), "ULMetaData.FCntUp: expected a whole number, got True", ...),
        (
            request(meta_DevEUI="AABB"),
            "ULMetaData.DevEUI: expected 16 hex digits, with or without 0x, got 'AABB'",
            ...,
        ),
        (request({"FRMPayload": "0x1"}), "FRMPayload: expected whole bytes as hex digits, with or without 0x", ...),
        (request({}), "expected exactly one of PHYPayload and FRMPayload, got neither", ...),
        (
            request({"FRMPayload": CLEAR, "PHYPayload": FRAME}),
            "expected exactly one of PHYPayload and FRMPayload, got both",
            ...,
        ),
        (request({"PHYPayload": "20" + "00" * 16}), "PHYPayload: expected a data uplink", ...),
        (request(meta_RecvTime=1_767_225_600), "ULMetaData.RecvTime: expected an RFC 3339 date-time", ...),
        (request(MessageType="JoinReq"), "MessageType: expected one of 'XmitDataReq', got 'JoinReq'", ...),
        (request(meta_GWInfo=[{"RSSI": -90}]), "ULMetaData.GWInfo.0.ID: expected a value, got nothing", ...),
        (request(meta_FPort=0), "ULMetaData.FPort: expected", "InvalidFPort"),
        (request(meta_FPort="1"), "ULMetaData.FPort: expected a whole number, got '1'", ...),
        (request(ProtocolVersion="2.0"), "ProtocolVersion: expected 1.0 or 1.1, got '2.0'", "InvalidProtocolVersion"),
        (
            request({"FRMPayload": "00" * 256}),
            "FRMPayload: expected at most the 255 bytes of a LoRa packet, got 256",
            "FrameSizeError",
        ),
        (request({"PHYPayload": FRAME}), "expected the AppSKey of AABBCCDDEEFF0011", "UnknownDevEUI"),
        (
            request({"PHYPayload": FRAME}, meta_DevEUI=ABSENT),
            "expected the AppSKey of a probe with DevAddr 49BE7DF1",
            "UnknownDevAddr",
        ),
    ],
)
def test_what_is_wrong_is_refused_with_its_place_and_the_standards_code(told, sentence, code):
    detail, got = refusal(told)
    assert detail.startswith(f"here: {sentence}")
    assert got == ("MalformedRequest" if code is ... else code)


@pytest.mark.parametrize(
    "body", [b"", b"{", b"\xff\xfe", b"NaN", b"[" * 5000, b'{"a":' * 5000, b'{"TransactionID":' + b"9" * 5000 + b"}"]
)
def test_what_is_no_json_is_kept_and_answered(body):
    (incoming,) = ts002_reader(KEYS)(body, "here")
    assert (incoming.content, incoming.kind) == (body, "ts002")
    assert incoming.detail.startswith("here: expected JSON, got ")
    status, answer = ts002_answer(body, [incoming], stored=True)
    assert (status, answer["Result"]["ResultCode"]) == (200, "MalformedRequest")


def test_of_a_list_every_item_stands_for_itself():
    items = [request(), request(meta_FPort=0), 7]
    good, bad, number = ts002_reader(NO_KEYS)(content(items), "here")
    assert good.uplink == uplink(request())
    assert json.loads(bad.content) == items[1]
    assert bad.detail.startswith("here[1]: ULMetaData.FPort")
    assert (number.content, number.source) == (b"7", "here[2]")
    assert ts002_answer(content(items), [good, bad, number], stored=True)[1]["Result"]["ResultCode"] == "InvalidFPort"
    (empty,) = ts002_reader(NO_KEYS)(b"[]", "here")
    assert (empty.detail, empty.content) == ("here: expected a request or a list of them, got []", b"[]")


def test_no_sentence_tells_a_key():
    told = request({"FRMPayload": ENCIPHERED}, meta_DevAddr="00000001")
    shown = refusal(told, KEYS)[0].lower() + repr(read(told, KEYS)).lower()
    assert APP_S_KEY.hex() not in shown
    assert NWK_S_KEY.hex() not in shown


# --- the answer ---------------------------------------------------------------------------------------------------


def test_the_answer_goes_back_to_the_sender_with_its_number():
    told = request()
    assert answered(told, read(told)) == {
        "ProtocolVersion": "1.0",
        "SenderID": "org.example.soil",
        "ReceiverID": "000013",
        "TransactionID": 1234567,
        "MessageType": "XmitDataAns",
        "Result": {"ResultCode": "Success"},
    }


def test_what_is_refused_is_answered_with_the_reason():
    told = request(meta_FPort=0)
    incoming = read(told)
    assert answered(told, incoming)["Result"] == {"ResultCode": "InvalidFPort", "Description": incoming.detail}


def test_what_another_reader_refused_is_answered_as_other():
    """Such as a message whose DevEUI is not that of its topic."""
    told = request()
    assert answered(told, Rejected("here", "here: expected", content(told)))["Result"]["ResultCode"] == "Other"


def test_what_could_not_be_stored_is_to_be_sent_again():
    told = request()
    assert answered(told, read(told), stored=False)["Result"]["ResultCode"] == "Other"


# --- anything at all ----------------------------------------------------------------------------------------------

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from([10**400, -(2**63), 2**32, 1e308, "0x", "EU868", CLEAR, FRAME, "2026-02-30T00:00:00Z"])
)
ANYTHING = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner)
)
MEMBERS = sorted([*request(), "PHYPayload", *("meta_" + name for name in request()["ULMetaData"])])


def check_nothing_is_lost(body, keys):
    incoming = ts002_reader(keys)(body, "here")
    assert incoming
    for message in incoming:
        assert isinstance(message, Accepted) or message.detail.startswith("here")
    if len(incoming) == 1 and not body.lstrip().startswith(b"["):
        kept = incoming[0]
        assert (kept.envelope if isinstance(kept, Accepted) else kept.content) == body
    status, answer = ts002_answer(body, incoming, stored=True)
    assert (status, answer["MessageType"]) == (200, "XmitDataAns")
    json.dumps(answer, allow_nan=False)


@settings(max_examples=300, deadline=None)
@given(body=st.binary(max_size=80) | ANYTHING.map(content), keys=st.sampled_from([NO_KEYS, KEYS]))
def test_whatever_comes_is_kept_and_answered(body, keys):
    check_nothing_is_lost(body, keys)


@settings(max_examples=400, deadline=None)
@given(
    changes=st.dictionaries(st.sampled_from(MEMBERS), ANYTHING, min_size=1, max_size=3),
    keys=st.sampled_from([NO_KEYS, KEYS, KEYS_OF_ANOTHER]),
)
def test_a_request_with_anything_in_any_member_is_kept_and_answered(changes, keys):
    told = request()
    for name, value in changes.items():
        whole = told["ULMetaData"] if isinstance(told["ULMetaData"], dict) else {}
        part, member = (whole, name[5:]) if name.startswith("meta_") else (told, name)
        part[member] = value
    check_nothing_is_lost(content(told), keys)


@settings(max_examples=200, deadline=None)
@given(at=st.integers(0, 900), byte=st.integers(0, 255), cut=st.booleans())
def test_a_request_with_a_wrong_byte_or_cut_off_is_kept_and_answered(at, byte, cut):
    body = bytearray(content(request()))
    at %= len(body)
    body[at] = byte
    check_nothing_is_lost(bytes(body[:at] if cut else body), KEYS)
