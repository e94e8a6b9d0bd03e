"""Envelope maps: what each kind of source makes of what it finds, and what is said where it can't."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.envelopes.map_file import MapError, parse_map, read_map
from loamline.edges.envelopes.mapped import mapped_reader, read_mapped
from loamline.edges.messages import Accepted, Rejected
from loamline_schemas.envelope_map import EnvelopeMap
from loamline_schemas.uplink import Uplink

EXAMPLES = Path(__file__).parents[3] / "replay_fixtures" / "envelopes"
PLAIN = {
    "dev_eui": {"at": "/eui"},
    "fport": {"at": "/port"},
    "fcnt": {"at": "/n"},
    "payload": {"at": "/hex", "encoding": "hex"},
}
MESSAGE = {"eui": "02AC000000000001", "port": 10, "n": 7, "hex": "0107"}


def a_map(reception: dict[str, Any] | None = None, **changes: Any) -> EnvelopeMap:
    """Return a map of the four necessary fields, with changes of its uplink part."""
    return EnvelopeMap.model_validate({"uplink": {**PLAIN, **changes}, "reception": reception})


def uplink(declaration: EnvelopeMap, **message: Any) -> Uplink:
    """Return the one uplink of a message."""
    (told,) = mapped_reader(declaration)(json.dumps({**MESSAGE, **message}).encode(), "topic")
    assert isinstance(told, Accepted), told.detail
    return told.uplink


def refusal(declaration: EnvelopeMap, **message: Any) -> str:
    """Return the sentence on the one message that is no uplink, without where it came from."""
    (told,) = mapped_reader(declaration)(json.dumps({**MESSAGE, **message}).encode(), "topic")
    assert isinstance(told, Rejected)
    return told.detail.removeprefix("topic: ")


# --- the examples that are shipped --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["nested", "flat", "gateways"])
def test_a_shipped_map_makes_of_its_sample_what_stands_beside_it(name: str) -> None:
    told = mapped_reader(read_map(EXAMPLES / f"{name}.toml"), name)((EXAMPLES / f"{name}.json").read_bytes(), "file")
    expected = json.loads((EXAMPLES / f"{name}.uplinks.json").read_text())
    assert len(told) == len(expected)
    for one, uplink_told in zip(told, expected, strict=True):
        canonical = read_canonical(json.dumps(uplink_told).encode(), "file")
        assert isinstance(one, Accepted)
        assert isinstance(canonical, Accepted)
        assert (one.uplink.payload, one.uplink.model_dump(exclude={"payload_hex"})) == (
            canonical.uplink.payload,
            canonical.uplink.model_dump(exclude={"payload_hex"}),
        )


# --- values -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "found", "becomes"),
    [
        # 868.1 * 1e6 is 868100000.0000001 in binary fractions.
        ({"factor": 1_000_000}, 868.1, 868_100_000),
        ({"factor": 1_000_000}, "868.1", 868_100_000),
        ({"factor": 1_000}, 867_500, 867_500_000),
        ({}, 868_100_000.0, 868_100_000),
        ({"factor": 1_000, "offset": 863_000_000}, 5100, 868_100_000),
        ({"after": "MHz:", "factor": 1_000_000}, "band 3 MHz: 868.1 wide", 868_100_000),
        ({"values": {"3": 868_100_000}}, 3, 868_100_000),
        ({"values": {"true": 868_100_000}}, True, 868_100_000),
        ({"values": {"third": 868_100_000}}, "third", 868_100_000),
        ({"absent": [0, "-"]}, 0, None),
        ({"absent": [0, "-"]}, "-", None),
        ({}, None, None),
    ],
)
def test_numbers_are_reckoned_as_they_are_written(source: dict[str, Any], found: object, becomes: int | None) -> None:
    assert uplink(a_map(frequency_hz={"at": "/f", **source}), f=found).frequency_hz == becomes


@pytest.mark.parametrize(
    ("encoding", "text"),
    [
        ("hex", "02AC00000000FBFF"),
        ("hex", "0x02ac00000000fbff"),
        ("hex", "02-ac-00-00-00-00-fb-ff"),
        ("hex", " 02:AC:00:00:00:00:FB:FF "),
        ("base64", "AqwAAAAA+/8="),
        ("base64", "AqwAAAAA+/8"),
        ("base64url", "AqwAAAAA-_8="),
        ("base64url", "AqwAAAAA-_8"),
    ],
)
def test_an_identifier_is_its_bytes_however_they_are_written(encoding: str, text: str) -> None:
    """RFC 4648: base64 in section 4, the alphabet that is safe in URLs in section 5."""
    assert uplink(a_map(dev_eui={"at": "/eui", "encoding": encoding}), eui=text).dev_eui == "02AC00000000FBFF"


@pytest.mark.parametrize(
    ("form", "found"),
    [
        ("rfc3339", "2026-05-01T12:00:00.25+02:00"),
        ("unix_s", 1777629600.25),
        ("unix_s", "1777629600.25"),
        ("unix_ms", 1777629600250),
        ("unix_us", 1777629600250000),
        ("unix_ns", 1777629600250000999),
    ],
)
def test_times_become_utc_to_the_microsecond(form: str, found: object) -> None:
    told = uplink(a_map(heard_at={"at": "/t", "format": form}), t=found)
    assert told.heard_at == datetime(2026, 5, 1, 10, 0, 0, 250_000, tzinfo=UTC)


def test_a_constant_needs_nothing_in_the_message() -> None:
    assert uplink(a_map(network={"constant": "valley"})).network == "valley"


def test_a_pointer_finds_members_whose_names_hold_strokes_and_tildes() -> None:
    """RFC 6901, section 4: ~1 is /, ~0 is ~."""
    told = uplink(a_map(network={"at": "/a~1b/m~0n/1"}), **{"a/b": {"m~n": ["first", "second"]}})
    assert told.network == "second"


# --- receptions and several uplinks -------------------------------------------------------------------------------


def test_without_a_list_the_one_reception_stands_in_the_uplink_and_none_is_no_fault() -> None:
    declaration = a_map({"gateway": {"at": "/gw"}, "rssi_dbm": {"at": "/dbm"}})
    assert [one.gateway for one in uplink(declaration, gw="east", dbm=-100).receptions] == ["east"]
    assert uplink(declaration).receptions == ()
    assert refusal(declaration, dbm=-100) == (
        "receptions.0.gateway: expected a value at /gw, found nothing: "
        'the message holds "eui", "port", "n", "hex", "dbm"'
    )


def test_each_item_of_the_list_is_a_reception() -> None:
    declaration = a_map({"list_at": "/ears", "gateway": {"at": "/id"}, "antenna": {"at": "/n", "within": "uplink"}})
    told = uplink(declaration, ears=[{"id": "east"}, {"id": 12}])
    assert [(one.gateway, one.antenna) for one in told.receptions] == [("east", 7), ("12", 7)]
    assert uplink(declaration, ears=[]).receptions == uplink(declaration).receptions == ()
    assert refusal(declaration, ears={"id": 1}) == (
        "receptions: expected a list of at most 1024 receptions at /ears, got an object of 1 members"
    )
    assert "receptions.1.gateway: expected a value at /ears/1/id, found nothing: /ears/1 is an empty object" in refusal(
        declaration, ears=[{"id": "east"}, {}]
    )


def test_each_uplink_of_a_list_stands_for_itself_and_is_kept_so_that_it_can_be_read_again_alone() -> None:
    declaration = a_map(list_at="/all", network={"at": "/net", "within": "message"})
    content = json.dumps({"net": "valley", "all": [MESSAGE, {**MESSAGE, "port": "ten"}, {**MESSAGE, "n": 8}]}).encode()
    read = mapped_reader(declaration, "valley")
    good, bad, other = read(content, "topic")
    assert isinstance(good, Accepted)
    assert isinstance(other, Accepted)
    assert (good.uplink.fcnt, other.uplink.fcnt, other.uplink.network) == (7, 8, "valley")
    assert isinstance(bad, Rejected)
    assert (bad.detail, bad.kind) == (
        'topic/all[1]: fport: expected a number at /all/1/port, got "ten"',
        "map valley",
    )
    assert json.loads(bad.content) == {"net": "valley", "all": [{**MESSAGE, "port": "ten"}]}
    (again,) = read(bad.content.replace(b'"ten"', b"10"), "topic")
    assert isinstance(again, Accepted)
    assert again.uplink.network == "valley"


def test_a_message_that_would_be_kept_many_times_over_is_kept_once_as_a_whole() -> None:
    """What stands beside the list belongs to each uplink: 10 MB beside ten of them would become 100."""
    content = json.dumps({"beside": "x" * 10_000_000, "all": [MESSAGE] * 10}).encode()
    (told,) = mapped_reader(a_map(list_at="/all"))(content, "topic")
    assert isinstance(told, Rejected)
    assert told.detail.startswith("topic: expected at most 67108864 bytes in all, got 10 uplinks with 100000")
    assert told.content == content


def test_a_message_that_is_a_list_is_several_messages() -> None:
    good, bad = mapped_reader(a_map())(json.dumps([MESSAGE, 5]).encode(), "topic")
    assert isinstance(good, Accepted)
    assert isinstance(bad, Rejected)
    assert bad.detail.startswith("topic[1]: dev_eui: expected a value at /eui, found nothing: the message is 5")
    assert bad.content == b"5"


# --- what is wrong, and where -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message", "sentence"),
    [
        ({}, {"port": 300}, "fport: expected less than or equal to 255 at /port, got 300"),
        ({}, {"port": 1.5}, "fport: expected a whole number at /port, got 1.5"),
        ({}, {"port": True}, "fport: expected a number at /port, got true"),
        ({}, {"port": 10**30}, f"fport: expected a number at /port, got {10**30}"),
        ({}, {"port": None}, "fport: expected a value at /port, got null, which says there is none"),
        ({}, {"eui": "02AC"}, "dev_eui: expected text of the form ^[0-9A-Fa-f]{16}$ at /eui, got '02AC'"),
        ({}, {"eui": "probe 7"}, 'dev_eui: expected hex digits, two a byte at /eui, got "probe 7"'),
        ({}, {"hex": "00" * 256}, "payload: expected a payload of at most 255 bytes at /hex, got 256"),
        (
            {"payload": {"at": "/hex", "encoding": "base64url"}},
            {"hex": "+/+/"},
            'payload: expected base64url (RFC 4648, 5) at /hex, got "+/+/"',
        ),
        (
            {"heard_at": {"at": "/t", "format": "unix_ms"}},
            {"t": 1e18},
            "heard_at: expected a Unix time in ms, in the years 1 to 9999 at /t, got 1e+18",
        ),
        (
            {"heard_at": {"at": "/t", "format": "rfc3339"}},
            {"t": "yesterday"},
            'heard_at: expected an RFC 3339 date-time such as 2026-05-01T10:00:00Z at /t, got "yesterday"',
        ),
        (
            {"coding_rate": {"at": "/c", "values": {"1": "4/5", "2": "4/6"}}},
            {"c": 3},
            'coding_rate: expected one of "1", "2" at /c, got 3',
        ),
        (
            {"spreading_factor": {"at": "/rate", "after": "SF"}},
            {"rate": "BW125"},
            'spreading_factor: expected a text with a number after "SF" at /rate, got "BW125"',
        ),
        (
            {"frequency_hz": {"at": "/f", "factor": 1000}},
            {"f": 868100.0005},
            "frequency_hz: expected a whole number at /f, got 868100000.5, made of 868100.0005",
        ),
        ({"fport": {"constant": 300}}, {}, "fport: expected less than or equal to 255, got 300"),
    ],
)
def test_what_is_wrong_is_told_with_field_pointer_expected_and_got(
    changes: dict[str, Any], message: dict[str, Any], sentence: str
) -> None:
    assert refusal(a_map(**changes), **message) == sentence


def test_everything_wrong_is_told_at_once() -> None:
    told = refusal(a_map(), port="ten", n=-1.5)
    assert told == 'fport: expected a number at /port, got "ten"; fcnt: expected a whole number at /n, got -1.5'


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe\xfa", b"[" * 100_000, b'{"eui": NaN}', b"[]", b"9" * 5000])
def test_what_is_no_json_is_kept_whole_with_the_reason(content: bytes) -> None:
    (told,) = mapped_reader(a_map(), "valley")(content, "topic")
    assert isinstance(told, Rejected)
    assert told.content == content
    assert told.detail.startswith("topic: expected ")


# --- maps as files ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("uplink = ", "expected TOML, got Invalid value"),
        ("[uplink]\n", "uplink.dev_eui: expected a value, got nothing"),
        ('[uplink]\nfport = {at = "port"}', "uplink.fport.at: expected text of the form"),
        ('[uplink]\nfport = {at = "/~2"}', "uplink.fport.at: expected text of the form"),
        ('[uplink]\nfport = {at = "/p", constant = 1}', "expected either at or constant, got at and constant"),
        ("[uplink]\nfport = {}", "uplink.fport: expected either at or constant, got neither"),
        ('[uplink]\nfport = {at = "/p", factor = 0}', "uplink.fport: expected a factor other than 0, got 0"),
        (
            '[uplink]\nfport = {at = "/p", factor = 2, values = {a = 1}}',
            "expected values to tell the figures, got factor",
        ),
        ("[uplink]\nfport = {constant = 1, offset = 1}", "expected a constant alone, got offset beside it"),
        ('[uplink]\nport = {at = "/p"}', "uplink.port: expected no such field"),
        ('[uplink]\nheard_at = {at = "/p", format = "unix"}', "uplink.heard_at.format: expected one of 'rfc3339'"),
    ],
)
def test_a_map_that_is_none_is_refused_with_where_expected_and_got(text: str, sentence: str) -> None:
    with pytest.raises(MapError) as problem:
        parse_map(text)
    assert sentence in str(problem.value)


def test_a_map_that_is_not_there_is_told_with_the_command_that_drafts_one(tmp_path: Path) -> None:
    with pytest.raises(MapError, match=r"expected an envelope map at .*none.toml, found none; `loamline envelope sug"):
        read_map(tmp_path / "none.toml")


# --- invariants ---------------------------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["eui", "port", "n", "hex", "t", "ears", "id"]) | st.text(), inner, max_size=5
        )
    ),
    max_leaves=20,
)
GREEDY = a_map(
    {"list_at": "/ears", "gateway": {"at": "/id"}, "heard_at": {"at": "/t", "format": "unix_us"}},
    heard_at={"at": "/t", "format": "rfc3339"},
    frequency_hz={"at": "/t", "factor": 1e300},
    network={"at": "/ears/-"},
    confirmed={"at": ""},
)


@settings(max_examples=200)
@given(message=JSON, shape=st.sampled_from([None, "/ears", "", "/ears/0/n"]))
def test_no_json_value_makes_a_map_raise_and_nothing_of_it_is_lost(message: Any, shape: str | None) -> None:
    declaration = GREEDY.model_copy(update={"uplink": GREEDY.uplink.model_copy(update={"list_at": shape})})
    told = mapped_reader(declaration, "greedy")(json.dumps(message).encode(), "topic")
    assert told
    assert all(reading.problems or reading.uplink for reading in read_mapped(declaration, message))
    for one in told:
        assert isinstance(one, Accepted) or (one.detail.startswith("topic") and one.kind == "map greedy")


@settings(max_examples=100)
@given(content=st.binary(max_size=60))
def test_no_bytes_make_a_map_raise(content: bytes) -> None:
    assert mapped_reader(GREEDY)(content, "topic")


NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=6)
INSTANTS = st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2090, 1, 1))  # noqa: DTZ001
FORMATS = st.sampled_from(["rfc3339", "unix_s", "unix_us"])
ENCODINGS = st.sampled_from(["hex", "base64", "base64url"])


def encoded(content: bytes, encoding: str) -> str:
    """Return bytes as a server would write them (RFC 4648)."""
    if encoding == "hex":
        return content.hex(":")
    return (base64.b64encode if encoding == "base64" else base64.urlsafe_b64encode)(content).decode()


def instant_as(instant: datetime, form: str) -> object:
    """Return an instant of whole microseconds as a server would write it."""
    if form == "rfc3339":
        return instant.isoformat()
    since = instant - datetime(1970, 1, 1, tzinfo=UTC)
    microseconds = since.days * 86_400_000_000 + since.seconds * 1_000_000 + since.microseconds
    return microseconds if form == "unix_us" else f"{microseconds // 10**6}.{microseconds % 10**6:06}"


@settings(max_examples=150)
@given(data=st.data())
def test_an_uplink_in_the_shape_of_a_map_comes_back_as_it_was(data: st.DataObject) -> None:
    """Canonical uplink to a message under random names, encodings, units and times, and back by the map."""
    draw = data.draw
    names = draw(st.lists(NAMES, min_size=12, max_size=12, unique=True))
    step = [f"/{name.replace('~', '~0').replace('/', '~1')}" for name in names]
    encoding, eui_encoding, form = draw(ENCODINGS), draw(ENCODINGS), draw(FORMATS)
    factor = draw(st.sampled_from([1, 1000, 1_000_000]))
    receptions = draw(
        st.lists(
            st.tuples(NAMES, st.integers(-1500, -200), INSTANTS.map(lambda at: at.replace(tzinfo=UTC))), max_size=3
        )
    )
    expected = Uplink.model_validate(
        {
            "dev_eui": draw(st.binary(min_size=8, max_size=8)).hex(),
            "fport": draw(st.integers(0, 255)),
            "fcnt": draw(st.integers(0, 2**32 - 1)),
            "payload_hex": draw(st.binary(max_size=255)).hex(),
            "heard_at": draw(st.none() | INSTANTS.map(lambda at: at.replace(tzinfo=UTC))),
            "frequency_hz": draw(st.integers(137_000_000, 2_500_000_000)),
            "receptions": [
                {"gateway": name, "rssi_dbm": tenths / 10, "heard_at": at} for name, tenths, at in receptions
            ],
        }
    )
    declaration = a_map(
        {
            "list_at": step[0] + step[8],
            "gateway": {"at": step[9]},
            "rssi_dbm": {"at": step[10], "factor": 0.1},
            "heard_at": {"at": step[11], "format": form},
        },
        dev_eui={"at": step[0] + step[1], "encoding": eui_encoding},
        fport={"at": step[2]},
        fcnt={"at": step[3]},
        payload={"at": step[0] + step[4], "encoding": encoding},
        heard_at={"at": step[5], "format": form},
        frequency_hz={"at": step[6] + "/1", "factor": factor},
    )
    hertz = expected.frequency_hz or 0
    message = {
        names[0]: {
            names[1]: encoded(bytes.fromhex(expected.dev_eui), eui_encoding),
            names[4]: encoded(expected.payload, encoding),
            names[8]: [
                {names[9]: name, names[10]: tenths, names[11]: instant_as(at, form)} for name, tenths, at in receptions
            ],
        },
        names[2]: expected.fport,
        names[3]: str(expected.fcnt),
        names[5]: None if expected.heard_at is None else instant_as(expected.heard_at, form),
        names[6]: [None, f"{hertz // factor}.{hertz % factor:06}" if factor == 1_000_000 else hertz / factor],
    }
    (told,) = mapped_reader(declaration)(json.dumps(message).encode(), "topic")
    assert isinstance(told, Accepted), told.detail
    assert told.uplink == expected
