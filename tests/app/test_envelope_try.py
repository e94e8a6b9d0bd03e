"""`loamline envelope try`: what a map makes of a message, field by field, and what is missing where."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

EXAMPLES = Path(__file__).parents[2] / "replay_fixtures" / "envelopes"
MAP = """
[uplink]
dev_eui = { at = "/who/eui" }
fport = { at = "/port" }
fcnt = { at = "/n" }
payload = { at = "/hex", encoding = "hex" }
"""


@pytest.fixture
def declaration(tmp_path: Path) -> Path:
    """Return the file of a small map."""
    path = tmp_path / "small.toml"
    path.write_text(MAP)
    return path


@pytest.fixture
def message(tmp_path: Path) -> Any:
    """Return a function that writes a message into a file."""

    def write(content: object) -> Path:
        path = tmp_path / "message.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content))
        return path

    return write


@pytest.mark.parametrize("name", ["nested", "flat", "gateways"])
def test_the_canonical_uplinks_of_the_shipped_examples_are_those_beside_them(loamline: Any, name: str) -> None:
    done = loamline("envelope", "try", EXAMPLES / f"{name}.toml", EXAMPLES / f"{name}.json", "--json")
    assert done.exit_code == 0
    told = [reading["uplink"] for reading in json.loads(done.stdout)]
    assert told == json.loads((EXAMPLES / f"{name}.uplinks.json").read_text())


def test_each_field_stands_with_its_pointer_what_is_there_and_what_it_becomes(loamline: Any) -> None:
    done = loamline("envelope", "try", EXAMPLES / "nested.toml", EXAMPLES / "nested.json")
    assert done.exit_code == 0
    (line,) = [line for line in done.stdout.splitlines() if "frequency_hz" in line and "│" in line]
    assert [cell.strip() for cell in line.strip("│").split("│")] == [
        "frequency_hz",
        "/air/carrier_mhz",
        "868.1",
        "868100000",
    ]
    assert '"frequency_hz": 868100000' in done.stdout


def test_what_is_missing_is_told_with_how_far_the_pointer_led(loamline: Any, declaration: Path, message: Any) -> None:
    file = message({"who": {"id": 1, "name": "\x1b[31m"}, "port": 10, "n": "x", "hex": "01"})
    done = loamline("envelope", "try", declaration, file)
    assert done.exit_code == 1
    assert (
        'dev_eui: expected a value at /who/eui, found nothing: /who holds "id", "name"\n'
        'fcnt: expected a number at /n, got "x"\n'
        "no uplink yet: 2 things to mend in the map, told above\n"
    ) in done.stdout
    assert "\x1b" not in done.stdout
    told = json.loads(loamline("envelope", "try", declaration, file, "--json").stdout)
    assert told[0]["uplink"] is None
    assert told[0]["fields"][0] == {
        "field": "dev_eui",
        "pointer": "/who/eui",
        "found": None,
        "becomes": None,
        "problem": 'expected a value at /who/eui, found nothing: /who holds "id", "name"',
        "missing": '/who holds "id", "name"',
    }


def test_what_may_be_absent_is_shown_with_where_it_was_looked_for(
    loamline: Any, declaration: Path, message: Any
) -> None:
    declaration.write_text(
        MAP + 'network = { at = "/net" }\n[reception]\nlist_at = "/ears"\ngateway = { at = "/id" }\n'
    )
    file = message({"who": {"eui": "02AC000000000001"}, "port": 10, "n": 1, "hex": "01"})
    done = loamline("envelope", "try", declaration, file)
    assert done.exit_code == 0
    for field, pointer in (("network", "/net"), ("receptions", "/ears")):
        (line,) = [line for line in done.stdout.splitlines() if f"│ {field}" in line]
        assert [cell.strip() for cell in line.strip("│").split("│")] == [
            field,
            pointer,
            'nothing: the message holds "who", "port", "n", "hex"',
            "",
        ]


def test_of_a_file_of_lines_the_first_is_tried(loamline: Any, declaration: Path, message: Any) -> None:
    line = json.dumps({"who": {"eui": "02AC000000000001"}, "port": 10, "n": 1, "hex": "01"})
    done = loamline("envelope", "try", declaration, message(f"\n{line}\n{{}}\n"), "--json")
    assert [reading["uplink"]["fcnt"] for reading in json.loads(done.stdout)] == [1]


def test_files_that_can_not_be_used_are_told_in_one_sentence(loamline: Any, declaration: Path, message: Any) -> None:
    none = declaration.with_name("none")
    done = loamline("envelope", "try", none, message({}))
    assert (done.exit_code, done.stderr.startswith(f"expected an envelope map at {none}, found none;")) == (2, True)
    done = loamline("envelope", "try", declaration, none)
    assert (done.exit_code, done.stderr) == (2, f"expected a message at {none}, got No such file or directory\n")
    done = loamline("envelope", "try", declaration, message("a diary"))
    assert done.exit_code == 1
    assert done.stderr.startswith("expected JSON in ")
    done = loamline("envelope", "try", declaration, message([]))
    assert (done.exit_code, done.stderr.endswith("got an empty list\n")) == (1, True)
