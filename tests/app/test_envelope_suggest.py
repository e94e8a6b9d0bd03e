"""`loamline envelope suggest`: a map drafted by the shapes of values, which loads, and says what it doubts."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.edges.envelopes.map_draft import draft_map
from loamline.edges.envelopes.map_file import parse_map
from loamline.edges.envelopes.mapped import read_mapped

EXAMPLES = Path(__file__).parents[2] / "replay_fixtures" / "envelopes"
PLAIN = {"eui": "02AC000000000001", "port": 10, "counter": 7, "content": "01073A05DCA025002A"}


def drafted(message: Any) -> dict[str, Any]:
    """Return the draft for a message as TOML tells it."""
    return tomllib.loads(draft_map(message))


def line(message: Any, field: str) -> str:
    """Return the line of one field of the uplink in a draft."""
    return next(told for told in draft_map(message).splitlines() if told.startswith(f"{field} ="))


@pytest.mark.parametrize(("name", "count"), [("nested", 1), ("flat", 1), ("gateways", 2)])
def test_the_draft_for_a_shipped_sample_already_finds_the_necessary_fields(name: str, count: int) -> None:
    message = json.loads((EXAMPLES / f"{name}.json").read_text())
    expected = json.loads((EXAMPLES / f"{name}.uplinks.json").read_text())
    told = read_mapped(parse_map(draft_map(message)), message)
    assert len(told) == count
    for reading, right in zip(told, expected, strict=True):
        assert reading.uplink is not None, reading.problems
        told_now = reading.uplink.model_dump(mode="json", include={"dev_eui", "fport", "fcnt", "payload_hex"})
        assert told_now == {key: right[key] for key in told_now}


@pytest.mark.parametrize(
    ("member", "value", "field", "source"),
    [
        ("x", "2026-05-01T10:00:00Z", "heard_at", {"format": "rfc3339"}),
        ("x", 1777629600, "heard_at", {"format": "unix_s"}),
        ("x", 1777629600250, "heard_at", {"format": "unix_ms"}),
        ("x", 1777629600250000, "heard_at", {"format": "unix_us"}),
        ("x", "1777629600250000000", "heard_at", {"format": "unix_ns"}),
        ("x", 868100000, "frequency_hz", {}),
        ("x", 868.1, "frequency_hz", {"factor": 1_000_000}),
        ("x", 868100, "frequency_hz", {"factor": 1_000}),
        ("x", "26000001", "dev_addr", {}),
        ("x", "4/5", "coding_rate", {}),
        ("x", "SF9BW125", "spreading_factor", {"after": "SF"}),
        ("x", "SF9BW125", "bandwidth_hz", {"after": "BW", "factor": 1_000}),
        ("x", 125000, "bandwidth_hz", {}),
        ("x", 125, "bandwidth_hz", {"factor": 1_000}),
        ("sf", 9, "spreading_factor", {}),
        ("confirmed", True, "confirmed", {}),
    ],
)
def test_a_value_is_told_by_its_shape_or_where_it_has_none_by_its_name(
    member: str, value: object, field: str, source: dict[str, Any]
) -> None:
    assert drafted({**PLAIN, member: value})["uplink"][field] == {"at": f"/{member}", **source}


@pytest.mark.parametrize(
    ("content", "encoding"),
    [("01 07 3a", "hex"), ("AQc6BdygJQAq", "base64"), ("-Qc6BdygJQ_q", "base64url")],
)
def test_a_payload_is_told_by_its_alphabet(content: str, encoding: str) -> None:
    assert drafted({**PLAIN, "content": content})["uplink"]["payload"] == {"at": "/content", "encoding": encoding}


def test_a_list_of_objects_with_a_signal_strength_holds_the_receptions() -> None:
    message = {**PLAIN, "tags": [{"a": 1}], "air": {"ears": [{"name": "east", "level": -104.5, "snr": 2.25}]}}
    assert drafted(message)["reception"] == {
        "list_at": "/air/ears",
        "gateway": {"at": "/name"},
        "rssi_dbm": {"at": "/level"},
        "snr_db": {"at": "/snr"},
    }


def test_what_could_be_two_things_is_doubted_in_a_comment() -> None:
    """What a name speaks for comes first."""
    told = line({"twin": "02AC000000000002", **PLAIN}, "dev_eui")
    assert told == 'dev_eui = { at = "/eui" }  # doubt: "/twin" could be it, too'
    told = line({"a": "02AC000000000001", "b": "02AC000000000002"}, "dev_eui")
    assert told == 'dev_eui = { at = "/a" }  # doubt: "/b" could be it, too'


def test_what_is_necessary_and_not_found_is_marked_and_the_map_loads_all_the_same() -> None:
    told = line({}, "payload")
    assert told == (
        'payload = { at = "/not-found-in-the-sample/payload", encoding = "hex" }  '
        "# NOT FOUND: nothing looks like it; write where it stands"
    )
    (reading,) = read_mapped(parse_map(draft_map({})), {})
    assert len(reading.problems) == 4


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text()
    | st.sampled_from(["02AC000000000001", "26000001", "SF9BW125", "4/5", "AQc6BdygJQAq", "-104.5", "868.1"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["eui", "port", "rssi", "gw", "a/b", "\x7f", '"']) | st.text(), inner, max_size=6
        )
    ),
    max_leaves=20,
)


@settings(max_examples=200)
@given(message=JSON)
def test_the_draft_for_any_message_loads_as_a_map(message: Any) -> None:
    declaration = parse_map(draft_map(message))
    assert read_mapped(declaration, message)


def test_a_draft_is_written_once_and_nothing_is_overwritten(loamline: Any, tmp_path: Path) -> None:
    sample, out = tmp_path / "sample.json", tmp_path / "valley.toml"
    sample.write_text(json.dumps(PLAIN))
    assert loamline("envelope", "suggest", sample).stdout == draft_map(PLAIN)
    assert loamline("envelope", "suggest", sample, "--out", out).exit_code == 0
    assert out.read_text() == draft_map(PLAIN)
    done = loamline("envelope", "suggest", sample, "--out", out)
    assert (done.exit_code, done.stderr) == (
        2,
        f"--out: expected no {out} yet, got one: nothing was written; name another file\n",
    )


def test_what_was_not_found_is_told_on_standard_error(loamline: Any, tmp_path: Path) -> None:
    sample = tmp_path / "sample.json"
    sample.write_text("{}")
    done = loamline("envelope", "suggest", sample)
    assert (done.exit_code, "NOT FOUND" in done.stderr) == (0, True)
