"""`loamline import --envelope`: files of messages of other kinds than canonical JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from loamline.edges.store.connection import Store
from tests.core.delivery_builder import measurement_v1

EXAMPLES = Path(__file__).parents[2] / "replay_fixtures" / "envelopes"


def flat(sequence: int, **changes: Any) -> dict[str, Any]:
    """Return a message that the shipped map `flat` is for."""
    told = json.loads((EXAMPLES / "flat.json").read_text())
    return {**told, "sequence": str(sequence), "millis": str(1777629600000 + sequence * 3_600_000), **changes}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Return where the store is to be."""
    return tmp_path / "soil.duckdb"


@pytest.fixture
def file(tmp_path: Path) -> Any:
    """Return a function that writes messages into a file, one a line."""

    def write(*messages: Any) -> Path:
        path = tmp_path / "may.ndjson"
        path.write_text("".join(json.dumps(message) + "\n" for message in messages))
        return path

    return write


def rows(store: Path, sql: str) -> list[Any]:
    """Return the rows of a query."""
    with Store.open(store, writable=False) as opened:
        return opened.con.execute(sql).fetchall()


@pytest.mark.parametrize(
    "options",
    [("--envelope", EXAMPLES / "flat.toml"), ("--envelope", "flat", "--maps", EXAMPLES)],
    ids=["path", "name"],
)
def test_lines_are_read_by_a_map_told_by_its_file_or_by_its_name(
    loamline: Any, file: Any, store: Path, options: tuple[object, ...]
) -> None:
    done = loamline("import", file(flat(1), flat(2), flat(2)), *options, "--store", store, "--json")
    assert done.exit_code == 0
    assert list(json.loads(done.stdout).values()) == [3, 2, 1, 0, 0]
    told = rows(
        store, "SELECT dev_eui, fcnt, frequency_hz FROM uplink JOIN probe_identity USING (probe_id) ORDER BY seq"
    )
    assert told == [("02AC000000000002", 1, 867500000), ("02AC000000000002", 2, 867500000)]
    assert rows(store, "SELECT count(*) FROM reading") == [(2,)]


def test_a_line_with_several_uplinks_gives_each_of_them(loamline: Any, file: Any, store: Path) -> None:
    message = json.loads((EXAMPLES / "gateways.json").read_text())
    done = loamline("import", file(message), "--envelope", EXAMPLES / "gateways.toml", "--store", store, "--json")
    assert (done.exit_code, json.loads(done.stdout)["accepted"]) == (0, 2)


def test_without_an_envelope_lines_are_canonical_and_a_list_is_several_uplinks(
    loamline: Any, file: Any, store: Path
) -> None:
    told = [
        {"dev_eui": "02AC000000000001", "fport": 10, "fcnt": n, "payload_hex": measurement_v1(1850, counter=n)}
        for n in (1, 2)
    ]
    done = loamline("import", file(told), "--store", store, "--json")
    assert (done.exit_code, json.loads(done.stdout)["accepted"]) == (0, 2)


def test_a_line_that_is_no_uplink_is_told_with_its_pointer_and_kept_with_its_kind(
    loamline: Any, file: Any, store: Path
) -> None:
    done = loamline(
        "import", file(flat(1), flat(2, spread="odd")), "--envelope", EXAMPLES / "flat.toml", "--store", store
    )
    assert done.exit_code == 1
    sentence = 'may.ndjson:2: spreading_factor: expected one of "slow", "middle", "fast" at /spread, got "odd"'
    assert done.stderr.strip() == sentence
    assert rows(store, "SELECT kind, detail FROM rejected_message") == [("map flat", sentence)]
    (kept,) = json.loads(loamline("set-aside", "--store", store, "--json").stdout)
    assert (kept["envelope"], json.loads(bytes.fromhex(kept["hex"]))) == ("map flat", flat(2, spread="odd"))


def test_the_same_message_is_kept_once_for_each_kind_that_it_was_read_as(loamline: Any, file: Any, store: Path) -> None:
    told = file({"a": 1})
    for _ in range(2):
        loamline("import", told, "--store", store)
        loamline("import", told, "--envelope", EXAMPLES / "flat.toml", "--store", store)
    assert rows(store, "SELECT kind FROM rejected_message ORDER BY kind") == [("canonical",), ("map flat",)]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--envelope", "none"), "envelope: expected one of canonical, ts002, phypayload, a map's .toml file, or "),
        (("--envelope", "none.toml"), "expected an envelope map at none.toml, found none;"),
        (("--key-encryption-key", "kek"), "--key-encryption-key: expected --keys beside it, got none"),
    ],
)
def test_a_kind_that_can_not_be_read_is_told_before_anything_is_stored(
    loamline: Any, file: Any, store: Path, options: tuple[str, ...], sentence: str
) -> None:
    done = loamline("import", file({"a": 1}), *options, "--store", store)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith(sentence)
    assert not store.exists()
