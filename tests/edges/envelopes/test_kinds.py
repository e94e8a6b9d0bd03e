"""Kinds of envelopes by name: a map's file, a map in a folder, and how rejected messages note them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from loamline.edges.envelopes.kinds import EnvelopeKindError, envelope_reader, recorded_kind, recorded_reader
from loamline.edges.messages import Accepted, Rejected

EXAMPLES = Path(__file__).parents[3] / "replay_fixtures" / "envelopes"
FLAT = (EXAMPLES / "flat.json").read_bytes()


@pytest.fixture
def maps(tmp_path: Path) -> Path:
    """Return a folder with one map, which is called flat."""
    shutil.copy(EXAMPLES / "flat.toml", tmp_path)
    return tmp_path


def refusal(kind: str, maps_dir: Path | None) -> str:
    with pytest.raises(EnvelopeKindError) as problem:
        envelope_reader(kind, keys=None, maps_dir=maps_dir)
    return str(problem.value)


def test_canonical_is_one_uplink_or_a_list_of_them() -> None:
    content = json.dumps({"dev_eui": "02AC000000000001", "fport": 10, "fcnt": 1, "payload_hex": "01"})
    told = envelope_reader("canonical", keys=None, maps_dir=None)(f"[{content}, {content}]".encode(), "topic")
    assert [type(one) for one in told] == [Accepted, Accepted]


def test_a_map_is_found_by_its_file_or_by_its_name_in_the_folder(maps: Path) -> None:
    for kind, folder in (("flat", maps), (str(maps / "flat.toml"), None)):
        (told,) = envelope_reader(kind, keys=None, maps_dir=folder)(FLAT, "topic")
        assert isinstance(told, Accepted)
        assert told.uplink.fcnt == 70000


def test_what_is_rejected_notes_the_map_so_that_it_is_found_again(maps: Path) -> None:
    (told,) = envelope_reader(str(maps / "flat.toml"), keys=None, maps_dir=None)(b"{}", "topic")
    assert isinstance(told, Rejected)
    assert told.kind == "map flat"
    (again,) = recorded_reader(told.kind, keys=None, maps_dir=maps)(FLAT, "topic")
    assert isinstance(again, Accepted)


def test_a_map_that_is_called_as_a_built_in_kind_is_not_taken_for_it(maps: Path) -> None:
    shutil.copy(maps / "flat.toml", maps / "canonical.toml")
    (told,) = recorded_reader("map canonical", keys=None, maps_dir=maps)(FLAT, "topic")
    assert isinstance(told, Accepted)
    (told,) = recorded_reader(None, keys=None, maps_dir=maps)(FLAT, "topic")
    assert isinstance(told, Rejected)


@pytest.mark.parametrize(
    ("kind", "noted"),
    [
        ("canonical", "canonical"),
        ("ts002", "ts002"),
        ("flat", "map flat"),
        ("maps/flat.toml", "map flat"),
        ("v1.2", "map v1.2"),
    ],
)
def test_a_kind_is_noted_so_that_it_is_found_without_its_path(kind: str, noted: str) -> None:
    assert recorded_kind(kind) == noted
    assert recorded_kind(kind, 3) == f"{noted}, DevEUI at topic level 3"


def test_what_had_to_agree_with_its_topic_has_to_when_it_is_read_again(maps: Path) -> None:
    """Whoever may publish for one probe must not speak for another, at the second reading neither."""
    read = recorded_reader(recorded_kind("flat", 3), keys=None, maps_dir=maps)
    (own,) = read(FLAT, "farm/uplinks/02AC000000000002")
    (anothers,) = read(FLAT, "farm/uplinks/02AC000000000001")
    assert isinstance(own, Accepted)
    assert isinstance(anothers, Rejected)
    assert anothers.kind == recorded_kind("flat", 3)


def test_an_unknown_kind_is_told_with_the_known_ones(maps: Path) -> None:
    expected = "envelope: expected one of canonical, ts002, phypayload, a map's .toml file, or "
    assert refusal("flatt", maps) == f"{expected}a map in {maps}, got 'flatt'; it holds flat"
    assert refusal("flat", None).startswith(
        f"{expected}the name of a map in the folder of maps, got 'flat' and no such"
    )
    assert refusal("../flat", maps) == f"{expected}a map's name, got '../flat'"


def test_a_map_with_a_fault_is_told_with_its_file(maps: Path) -> None:
    (maps / "flat.toml").write_text("[uplink]\n")
    assert refusal("flat", maps).startswith(f"{maps / 'flat.toml'}: uplink.dev_eui: expected a value, got nothing")
