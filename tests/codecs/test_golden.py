"""Golden payloads: what each must give, read by the folder's codec; and the engine that says so."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from construct import Const, Flag, Int8ub, Int16ub, Padding, Struct

from loamline_codecs import BUILT_IN, Codec, CodecSet, Match, Quantity, SampleGroup
from loamline_codecs.declaration import Bound
from loamline_codecs.golden import private_update

_COMMAND = "uv run pytest tests/codecs --update-goldens"
_WARM_SOIL = """\
# Warm soil.

uplink:
  port 10
  hex 01 07 3A 05 DC A0 25 00 2A

reads as:
  firmware 2.5
  supply_v 3.6
  sample_counter 42
  depth 0, now: moisture_count 1850, soil_temperature_degc 15
"""


def test_golden_payload_reads_as_its_file_says(golden: Any, golden_path: Path, update_goldens: bool) -> None:
    problem = golden.problem(golden_path, update=update_goldens)
    if problem:
        pytest.fail(problem, pytrace=False)


@pytest.mark.parametrize("codec", BUILT_IN, ids=lambda codec: codec.name)
def test_every_codec_has_at_least_three_golden_payloads(golden: Any, codec: Codec) -> None:
    folder = f"replay_fixtures/{codec.name}"
    found = [path for path in golden.paths() if path.parent.name == codec.name]
    assert len(found) >= 3, f"add {3 - len(found)} payloads to {folder}/, then: {_COMMAND}"


# Worked vectors of the probe family's data sheet, which no golden folder may lose.
@pytest.mark.parametrize(
    ("port", "payload"),
    [
        (10, "01073A05DCA025002A"),
        (10, "0104B0FF389825FFFF"),
        (10, "2473A8346919031007"),
        (10, "2AFFF387FFE7031FFF"),
        (10, "3201020400040E3C00DE0515D20516CD0518"),
        (10, "420829230502110ED204E80536010208DDFF0000"),
        (11, "1205020E1A0CF8002238005A"),
    ],
)
def test_every_vector_of_the_data_sheet_is_a_golden_payload(golden: Any, port: int, payload: str) -> None:
    assert (port, bytes.fromhex(payload)) in golden.uplinks()


@pytest.fixture
def case(tmp_path: Path) -> Path:
    folder = tmp_path / "replay_fixtures" / "measurement-v1"
    folder.mkdir(parents=True)
    path = folder / "warm_soil.txt"
    path.write_text(_WARM_SOIL)
    return path


def _at(golden: Any, case: Path) -> Any:
    return dataclasses.replace(golden, folder=case.parents[1])


def test_a_case_whose_expectation_holds_has_no_problem(golden: Any, case: Path) -> None:
    assert _at(golden, case).problem(case) is None


def test_a_missing_expectation_names_the_file_and_the_command(golden: Any, case: Path) -> None:
    case.write_text(_WARM_SOIL[: _WARM_SOIL.index("\nreads as:")])
    assert _at(golden, case).problem(case) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected what the payload says, got no expectation. "
        f"Write it with: {_COMMAND}"
    )


def test_a_differing_figure_is_shown_with_the_file_and_the_command(golden: Any, case: Path) -> None:
    case.write_text(_WARM_SOIL.replace("supply_v 3.6", "supply_v 3.7"))
    assert _at(golden, case).problem(case) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected the lines with -, got those with +\n"
        "-   supply_v 3.7\n"
        "+   supply_v 3.6\n"
        f"If those are right: {_COMMAND}"
    )


@pytest.mark.parametrize("former", [_WARM_SOIL.replace("3.6", "9"), _WARM_SOIL[: _WARM_SOIL.index("\nreads as:")]])
def test_an_update_rewrites_the_expectation_and_keeps_the_rest(golden: Any, case: Path, former: str) -> None:
    case.write_text(former)
    assert _at(golden, case).problem(case, update=True) is None
    assert case.read_text() == _WARM_SOIL


def test_a_payload_in_another_codecs_folder_is_refused(golden: Any, case: Path) -> None:
    case.write_text(_WARM_SOIL.replace("01 07", "24 07"))
    assert _at(golden, case).problem(case, update=True) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected a payload for measurement-v1, "
        "got one for measurement-v2"
    )


def test_a_malformed_payload_in_a_codecs_folder_is_refused_with_its_reason(golden: Any, case: Path) -> None:
    case.write_text(_WARM_SOIL.replace(" 2A", ""))
    assert _at(golden, case).problem(case) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected a payload for measurement-v1, got one for malformed: "
        "codec measurement-v1: expected 9 bytes, got 8; payload 01073a05dca02500"
    )


@pytest.mark.parametrize(
    ("former", "now", "sentence"),
    [
        (" 2A\n", " 2\n", "hex: expected two digits a byte, got 17 digits"),
        ("port 10", "port 256", "port: expected 0 to 255, got 256"),
    ],
)
def test_a_payload_that_no_radio_could_carry_is_refused(
    golden: Any, case: Path, former: str, now: str, sentence: str
) -> None:
    case.write_text(_WARM_SOIL.replace(former, now))
    assert _at(golden, case).problem(case, update=True) == f"replay_fixtures/measurement-v1/warm_soil.txt: {sentence}"


def test_a_private_codecs_case_names_the_command_that_updates_it(golden: Any, case: Path) -> None:
    case.write_text(_WARM_SOIL[: _WARM_SOIL.index("\nreads as:")])
    command = private_update("soil-stake-v1", Path("my codecs/soil_stake_v1.py"))
    assert command == "loamline codec check soil-stake-v1 --codec-dir 'my codecs' --update-goldens"
    problem = dataclasses.replace(_at(golden, case), command=command).problem(case)
    assert problem.endswith(f"got no expectation. Write it with: {command}")


def test_a_case_that_can_not_be_rewritten_is_told_in_a_sentence(golden: Any, case: Path) -> None:
    case.unlink()
    case.mkdir()
    assert _at(golden, case).problem(case, update=True) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected to read it, got Is a directory"
    )


def test_a_file_of_another_form_is_refused(golden: Any, case: Path) -> None:
    case.write_text("01073A05DCA025002A\n")
    assert _at(golden, case).problem(case) == (
        'replay_fixtures/measurement-v1/warm_soil.txt: expected lines of "# ...", then "uplink:", "  port N" and '
        '"  hex ..."; see replay_fixtures/README.md'
    )


def _shortened(*fields: Any, **more: Any) -> Codec:
    quantity = Quantity("supply_v", "supply_voltage", "V", scale="0.001")
    layout = Struct("payload_version" / Const(1, Int8ub), *fields)
    return Codec("measurement-v1", "Forgetful.", "measurement", Match(10, 8, 1), layout, (quantity,), **more)


def test_an_update_refuses_a_reading_that_loses_something(golden: Any, case: Path) -> None:
    """A field that a bound guards but no quantity tells of can't come back: a payload is rebuilt from its reading."""
    codec = _shortened("supply_voltage" / Int16ub, "unread" / Int8ub, bounds=(Bound("unread", 0, 9),))
    case.write_text("# Lossy.\n\nuplink:\n  port 10\n  hex 01 0E 10 07\n")
    lossy = dataclasses.replace(_at(golden, case), codecs=CodecSet([codec]))
    assert lossy.problem(case, update=True) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected to be rebuilt from its reading, got: "
        "codec measurement-v1: field of the layout: 'unread'"
    )
    assert "reads as" not in case.read_text()


def test_an_update_refuses_a_reading_that_comes_back_changed(golden: Any, case: Path) -> None:
    """A flag that takes a byte is set by 2 as well as by 1; what was read says only that it is set."""
    codec = _shortened("supply_voltage" / Int16ub, "tilted" / Flag)
    codec = dataclasses.replace(codec, quantities=(*codec.quantities, Quantity("tilted", "tilted", "1")))
    case.write_text("# Lossy.\n\nuplink:\n  port 10\n  hex 01 0E 10 02\n")
    lossy = dataclasses.replace(_at(golden, case), codecs=CodecSet([codec]))
    assert lossy.problem(case, update=True) == (
        "replay_fixtures/measurement-v1/warm_soil.txt: expected to be rebuilt from its reading as 01 0e 10 02, "
        "got 01 0e 10 01: something is lost"
    )


def test_a_fault_code_comes_back_as_the_one_it_was(golden: Any, case: Path) -> None:
    faults = {0xFFFF: "transducer fault", 0xFFFE: "cable cut"}
    group = SampleGroup((Quantity("moisture_count", "count", "{count}", sentinels=faults),))
    codec = _shortened("supply_voltage" / Int16ub, "count" / Int16ub, samples=(group,))
    case.write_text("# Cable cut.\n\nuplink:\n  port 10\n  hex 01 0E 10 FF FE\n")
    engine = dataclasses.replace(_at(golden, case), codecs=CodecSet([codec]))
    assert engine.problem(case, update=True) is None
    assert case.read_text().endswith("  depth 0, now: moisture_count none; cable cut\n")


def test_reserved_bits_need_not_come_back(golden: Any, case: Path) -> None:
    codecs = CodecSet([_shortened("supply_voltage" / Int16ub, Padding(1))])
    case.write_text("# Reserved byte set.\n\nuplink:\n  port 10\n  hex 01 0E 10 07\n")
    masked = dataclasses.replace(_at(golden, case), codecs=codecs)
    assert masked.problem(case, update=True) is None
    assert case.read_text().endswith("\nreads as:\n  supply_v 3.6\n")
