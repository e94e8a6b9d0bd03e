"""`loamline codec check` as an author and a script see it: a line a check, 0 or 1, and 2 for wrong use."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loamline_codecs import BUILT_IN

Run = Callable[..., Any]
_FEW = ("--payloads", 100)


@pytest.fixture(autouse=True)
def _no_private_codecs_of_whoever_runs_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LOAMLINE_CODEC_DIRS", raising=False)


@pytest.fixture
def folder(loamline: Run, tmp_path: Path) -> Path:
    """Return a folder with one new codec in it."""
    assert loamline("codec", "new", "soil-stake", "--dir", tmp_path).exit_code == 0
    return tmp_path


def case(folder: Path, name: str = "ordinary") -> Path:
    return folder / "replay_fixtures" / "soil-stake-v1" / f"{name}.txt"


def lines(result: Any) -> list[str]:
    return [" ".join(line.split()) for line in result.stdout.splitlines()]


def test_without_arguments_every_known_codec_is_checked(loamline: Run, folder: Path) -> None:
    done = loamline("codec", "check", "--codec-dir", folder, *_FEW, "--json")
    assert done.exit_code == 0
    told = json.loads(done.stdout)
    assert told["passed"] is True
    assert [codec["codec"] for codec in told["codecs"]] == [*(codec.name for codec in BUILT_IN), "soil-stake-v1"]
    assert [codec["file"] for codec in told["codecs"]] == [*[None] * len(BUILT_IN), str(folder / "soil_stake_v1.py")]


def test_a_person_reads_one_line_a_check(loamline: Run, folder: Path) -> None:
    done = loamline("codec", "check", "soil-stake-v1", "--codec-dir", folder, "--payloads", 100, "--seed", 9)
    told = lines(done)
    assert done.exit_code == 0
    assert told[0] == f"soil-stake-v1 ({folder / 'soil_stake_v1.py'})"
    assert [line.split()[0] for line in told[1:-1]] == ["ok"] * 9
    assert "ok golden cases 4 of 4 hold" in told
    assert "ok bit flips 352 payloads with a flipped bit: 320 read and 32 refused by both executors alike" in told
    assert any(line.startswith("ok random payloads 100 random payloads of seed 9: ") for line in told)
    assert told[-1] == "1 codec checked: all passed"


def test_a_codec_is_named_by_its_file_without_any_folder(loamline: Run, folder: Path) -> None:
    done = loamline("codec", "check", folder / "soil_stake_v1.py", *_FEW, "--json")
    assert [codec["codec"] for codec in json.loads(done.stdout)["codecs"]] == ["soil-stake-v1"]


def test_a_built_in_codec_is_named_by_its_file_too(loamline: Run) -> None:
    import loamline_codecs

    file = Path(loamline_codecs.__file__).with_name("measurement_v2.py")
    done = loamline("codec", "check", file, *_FEW, "--json")
    assert [codec["codec"] for codec in json.loads(done.stdout)["codecs"]] == ["measurement-v2"]


def test_a_golden_case_that_lies_fails_with_file_lines_and_command(loamline: Run, folder: Path) -> None:
    path = case(folder)
    path.write_text(path.read_text().replace("supply_v 3.6", "supply_v 3.7"))
    done = loamline("codec", "check", "soil-stake-v1", "--codec-dir", folder, *_FEW)
    assert done.exit_code == 1
    told = lines(done)
    assert "failed golden cases 3 of 4 hold" in told
    command = f"loamline codec check soil-stake-v1 --codec-dir {folder} --update-goldens"
    place = told.index("failed golden cases 3 of 4 hold")
    assert told[place + 1 : place + 5] == [
        "replay_fixtures/soil-stake-v1/ordinary.txt: expected the lines with -, got those with +",
        "- supply_v 3.7",
        "+ supply_v 3.6",
        f"If those are right: {command}",
    ]
    assert told[-1] == "1 codec checked: 1 failed"


def test_update_goldens_rewrites_expectations(loamline: Run, folder: Path) -> None:
    path = case(folder)
    right = path.read_text()
    path.write_text(right[: right.index("\nreads as:")])
    arguments = ("codec", "check", "soil-stake-v1", "--codec-dir", folder, *_FEW)
    assert loamline(*arguments).exit_code == 1
    assert loamline(*arguments, "--update-goldens").exit_code == 0
    assert path.read_text() == right


def test_an_update_that_would_lose_something_is_refused(loamline: Run, folder: Path) -> None:
    """A flag that takes a whole byte says of 0xC0 only that it is set, and would come back as 1."""
    source = folder / "soil_stake_v1.py"
    flags = 'BitStruct("tilted" / Flag, "supply_low" / Flag, "reserved" / Padding(6))'
    told = source.read_text().replace(flags, 'Struct("tilted" / Flag)')
    source.write_text(told.replace('        Quantity("supply_low", "flags.supply_low", "1"),\n', ""))
    before = case(folder, "fault_codes").read_text()
    done = loamline("codec", "check", "soil-stake-v1", "--codec-dir", folder, *_FEW, "--update-goldens")
    assert done.exit_code == 1
    assert "replay_fixtures/soil-stake-v1/fault_codes.txt: expected to be rebuilt from its reading as" in done.stdout
    assert case(folder, "fault_codes").read_text() == before
    assert "supply_low" not in case(folder).read_text()


def test_a_private_codec_without_golden_cases_fails(loamline: Run, folder: Path) -> None:
    for path in case(folder).parent.glob("*.txt"):
        path.unlink()
    done = loamline("codec", "check", "soil-stake-v1", "--codec-dir", folder, *_FEW)
    assert done.exit_code == 1
    where = folder / "replay_fixtures" / "soil-stake-v1"
    assert f"failed golden cases not checked: no golden cases at {where}" in lines(done)


def test_a_declaration_that_can_not_be_loaded_is_a_failed_check(loamline: Run, folder: Path) -> None:
    """An author checks to find that out: it is no wrong use of the command."""
    source = folder / "soil_stake_v1.py"
    source.write_text(source.read_text().replace('"moisture_count" / Int16ub', '"moisture_count" / Int17ub'))
    done = loamline("codec", "check", "--codec-dir", folder, *_FEW)
    assert done.exit_code == 1
    told = lines(done)
    assert told[0] == "failed declaration can't be loaded"
    assert told[1].startswith(f"{source}, line ")
    assert told[1].endswith(": expected a declaration, got NameError: name 'Int17ub' is not defined")
    assert json.loads(loamline("codec", "check", "--codec-dir", folder, *_FEW, "--json").stdout)["passed"] is False


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["bench-v1"], "got 'bench-v1'; --codec-dir DIR makes private ones known"),
        (["absent/bench.py"], "expected the file of a codec at absent/bench.py, found none"),
        (["--payloads", "-1"], "Invalid value for '--payloads'"),
    ],
)
def test_wrong_use_leaves_with_2(loamline: Run, arguments: list[str], sentence: str) -> None:
    done = loamline("codec", "check", *arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert sentence in done.stderr


@pytest.mark.parametrize(
    ("verb", "example"),
    [
        ("check", "loamline codec check soil-stake-v1 --codec-dir ./codecs"),
        ("new", "loamline codec new soil-stake --dir ./codecs"),
    ],
)
def test_help_ends_with_an_example(loamline: Run, verb: str, example: str) -> None:
    told = [line for line in lines(loamline("codec", verb, "--help")) if line]
    assert told[-2:] == ["Example:", example]
