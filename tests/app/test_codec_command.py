"""`loamline codec ...` as a person and a script see it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from loamline.app.cli import app
from loamline_codecs import BUILT_IN

_FIRST_VECTOR = "01073A05DCA025002A"


def _run(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["codec", *arguments], env={"COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"})


def _told(*arguments: str) -> Any:
    result = _run(*arguments, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    return json.loads(result.stdout)


def test_dissect_prints_the_first_vector_as_one_object() -> None:
    """The contract that scripts rely on; figures from the probe family's data sheet."""
    assert _told("dissect", "--port", "10", _FIRST_VECTOR) == {
        "codec": "measurement-v1",
        "port": 10,
        "firmware": "2.5",
        "supply_v": 3.6,
        "sample_counter": 42,
        "tilted": None,
        "cold_start": None,
        "supply_low": None,
        "samples": [
            {
                "depth_index": 0,
                "age_minutes": 0,
                "moisture_count": 1850,
                "permittivity": None,
                "soil_temperature_degc": 15.0,
                "conductivity_ds_m": None,
            }
        ],
        "faults": [],
    }


def test_dissect_tells_whole_numbers_as_such_and_flags_as_true_or_false() -> None:
    told = _told("dissect", "--port", "10", "2473A8346919031007")
    assert [type(told[name]) for name in ("sample_counter", "tilted", "cold_start", "supply_low")] == [int, *[bool] * 3]
    assert (told["tilted"], told["cold_start"], told["supply_low"]) == (False, True, False)
    assert [type(sample["moisture_count"]) for sample in told["samples"]] == [int, int]


def test_dissect_tells_faults_as_null_and_as_sentences() -> None:
    told = _told("dissect", "--port", "10", "2AFFF387FFE7031FFF")
    assert [sample["moisture_count"] for sample in told["samples"]] == [None, 903]
    assert [sample["soil_temperature_degc"] for sample in told["samples"]] == [None, None]
    assert told["faults"] == ["depth 0: transducer fault", "depth 0: thermistor fault", "depth 1: thermistor fault"]


def test_dissect_tells_how_old_samples_are() -> None:
    told = _told("dissect", "--port", "10", "3201020400040E3C00DE0515D20516CD0518")
    assert [(s["age_minutes"], s["moisture_count"], s["soil_temperature_degc"]) for s in told["samples"]] == [
        (0, 1502, 10.5),
        (60, 1490, 11.0),
        (120, 1485, 12.0),
    ]


def test_dissect_tells_a_permittivity_profile() -> None:
    told = _told("dissect", "--port", "10", "420829230502110ED204E80536010208DDFF0000")
    assert told["samples"][1] == {
        "depth_index": 1,
        "age_minutes": 0,
        "moisture_count": None,
        "permittivity": 20.5,
        "soil_temperature_degc": -0.35,
        "conductivity_ds_m": 0.0,
    }


def test_dissect_tells_a_status_with_its_own_figures() -> None:
    assert _told("dissect", "--port", "11", "1205020E1A0CF8002238005A") == {
        "codec": "status-v1",
        "port": 11,
        "firmware": "5.2",
        "supply_v": None,
        "sample_counter": None,
        "tilted": None,
        "cold_start": None,
        "supply_low": None,
        "samples": [],
        "faults": [],
        "reset_cause": "brown-out",
        "supply_rest_v": 3.61,
        "supply_transmit_v": 3.32,
        "hours_since_power_up": 8760,
        "transmissions": 9000,
    }


def test_dissect_tells_an_unnamed_reset_cause_as_a_number() -> None:
    assert _told("dissect", "--port", "11", "1905020E1A0CF8002238005A")["reset_cause"] == 9


@pytest.mark.parametrize(
    "spelling",
    [
        ["01 07 3A 05 DC A0 25 00 2A"],
        ["0x01073a05dca025002a"],
        ["0X01 0x07 3A 05 DC A0 25 00 2A"],
        ["01", "07", "3A", "05", "DC", "A0", "25", "00", "2A"],
    ],
)
def test_hex_may_be_spelled_with_spaces_and_0x(spelling: list[str]) -> None:
    assert _told("dissect", "--port", "10", *spelling) == _told("dissect", "--port", "10", _FIRST_VECTOR)


def _lines(text: str) -> list[str]:
    return [" ".join(line.split()) for line in text.splitlines()]


def test_dissect_prints_bytes_and_bits_raw_and_physical_values_as_a_table() -> None:
    lines = _lines(_run("dissect", "--port", "10", "2BFFF387FFE7031FFF").stdout)
    assert lines[0] == "measurement-v2 on FPort 10, 9 bytes, firmware 3.1"
    assert "byte bit field hex raw physical" in lines
    assert "0 3 tilted 2b 1 yes" in lines
    assert "0 2 cold_start 2b 0 no" in lines
    assert "0 0 reserved 2b 1 reserved, ignored" in lines
    assert "1-2 7 of the first to 4 of the last moisture_count_0 ff f3 4095 transducer fault" in lines
    assert "5-6 4 of the first to 4 of the last supply_voltage e7 03 112 2.448 V" in lines
    assert "depth 1: thermistor fault" in lines


def test_a_table_shows_units_ranges_and_labels() -> None:
    measurement = _lines(_run("dissect", "--port", "10", "0110 0005 DCA0 2500 2A").stdout)
    assert "1-2 moisture_count 10 00 4096 4096 (expected raw 0 to 4095)" in measurement
    assert "3-4 soil_temperature 05 dc 1500 15 degC" in measurement
    status = _lines(_run("dissect", "--port", "11", "1205020E1A0CF8002238005A").stdout)
    assert "0 3-0 head.reset_cause 12 2 brown-out" in status
    assert "7-9 hours_since_power_up 00 22 38 8760 8760 h" in status
    unnamed = _lines(_run("dissect", "--port", "11", "1905020E1A0CF8002238005A").stdout)
    assert "0 3-0 head.reset_cause 19 9 9" in unnamed


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--port", "10", "01073A"], "codec measurement-v1: expected 9 bytes, got 3; payload 01073a"),
        (["--port", "224", "01"], "expected FPort 10 or 11, got 224"),
        (["--port", "11", ""], "expected a payload on FPort 11, got 0 bytes"),
        (
            ["--port", "11", "22"],
            (
                "expected on FPort 11 a payload version that is known: 1 in the first 4 bits (status-v1); "
                "got byte 0 = 0x22"
            ),
        ),
        (
            ["--port", "10", "3001020400040E0000DE0515"],
            "codec measurement-v3: field interval: expected 1 to 255, got 0; payload 3001020400040e0000de0515",
        ),
        (["--port", "10", "01 07 3"], "HEX: expected two digits a byte, got 5 digits: '01073'"),
        (["--port", "10", "01 O7"], "HEX: expected the digits 0-9 and A-F, got 'O' as digit 3 of '01O7'"),
        (["--port", "10", "[red]"], "HEX: expected the digits 0-9 and A-F, got '[' as digit 1 of '[red]'"),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_payload_that_no_codec_reads_is_told_why_in_one_line(
    arguments: list[str], sentence: str, form: list[str]
) -> None:
    result = _run("dissect", *arguments, *form)
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", f"{sentence}\n")


@pytest.mark.parametrize("port", ["-1", "256", "ten"])
def test_a_port_that_is_no_fport_is_refused_as_a_usage_error(port: str) -> None:
    assert _run("dissect", "--port", port, "01").exit_code == 2


def test_list_tells_every_codec_to_a_script() -> None:
    told = _told("list")
    assert [codec["name"] for codec in told] == [codec.name for codec in BUILT_IN]
    assert told[2] == {
        "name": "measurement-v3",
        "port": 10,
        "match": "byte 0 = 0x30..0x3F",
        "message": "measurement",
        "length": "9 bytes, then 3 for each of samples",
        "description": BUILT_IN[2].description,
        "digest": BUILT_IN[2].digest,
        "read_as": "columns",
    }
    assert told[0]["match"] == "byte 0 = 0x01"


def test_list_tells_every_codec_to_a_person() -> None:
    printed = " ".join(_run("list").stdout.split())
    for codec in BUILT_IN:
        assert f"{codec.name} {codec.match.fport} 0x" in printed
        assert codec.digest in printed


@pytest.mark.parametrize(
    ("command", "example"),
    [
        ("dissect", 'loamline codec dissect --port 10 "01 07 3A 05 DC A0 25 00 2A"'),
        ("list", "loamline codec list --json"),
    ],
)
def test_help_ends_with_an_example(command: str, example: str) -> None:
    lines = [line for line in _lines(_run(command, "--help").stdout) if line]
    assert lines[-2:] == ["Example:", example]


@pytest.mark.parametrize(("payload", "code"), [(_FIRST_VECTOR, 0), ("0107", 1), ("nonsense", 1)])
def test_the_installed_program_leaves_with_the_same_code(payload: str, code: int) -> None:
    program = Path(sys.executable).with_name("loamline")
    done = subprocess.run(
        [program, "codec", "dissect", "--port", "10", payload], capture_output=True, text=True, check=False
    )
    assert done.returncode == code
    assert (done.stderr == "") == (code == 0)
    assert "Traceback" not in done.stderr


def test_list_tells_a_codec_that_is_read_row_by_row(tmp_path: Path) -> None:
    (tmp_path / "stake.py").write_text(
        "from construct import Const, GreedyRange, Int8ub, Prefixed, Struct\n"
        "from loamline_codecs import Codec, Match, Quantity\n"
        "spare = Prefixed(Int8ub, GreedyRange(Const(1, Int8ub)))\n"
        'CODEC = Codec("stake-v1", "A stake.", "status", Match(30, 0, 0), Struct("supply" / Int8ub, "spare" / spare),\n'
        '    (Quantity("supply_v", "supply", "V"),), row_by_row=True)\n'
    )
    told = _told("list", "--codec-dir", str(tmp_path))
    assert (told[-1]["name"], told[-1]["read_as"]) == ("stake-v1", "rows")
    assert "read as rows" in " ".join(_run("list", "--codec-dir", str(tmp_path)).stdout.split())
