"""`loamline codec script` as a customer of ours uses it."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loamline_codecs import BUILT_IN, builtin_codecs
from loamline_codecs.script import script

Run = Callable[..., Any]

_WIDE = """
from construct import BytesInteger, Const, Int8ub, Struct
from loamline_codecs import Codec, Match, Quantity

CODEC = Codec(
    name="wide-v1",
    description="One counter of seven bytes.",
    message="status",
    match=Match(fport=77, leading_bits=8, value=1),
    layout=Struct("payload_version" / Const(1, Int8ub), "counter" / BytesInteger(7)),
    quantities=(Quantity("transmissions", "counter", "{count}"),),
)
"""


@pytest.fixture(autouse=True)
def _no_private_codecs_of_whoever_runs_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LOAMLINE_CODEC_DIRS", raising=False)


@pytest.mark.parametrize("name", [codec.name for codec in BUILT_IN])
def test_the_script_alone_is_printed(loamline: Run, name: str) -> None:
    done = loamline("codec", "script", name)
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout == script(builtin_codecs().by_name(name))


def test_out_writes_the_same_text_to_a_file_and_says_so(loamline: Run, tmp_path: Path) -> None:
    file = tmp_path / "decoder.js"
    file.write_text("an older one")
    done = loamline("codec", "script", "measurement-v3", "--out", file)
    assert (done.exit_code, done.stdout, done.stderr) == (0, "", f"wrote {file}\n")
    assert file.read_bytes().decode("ascii") == script(builtin_codecs().by_name("measurement-v3"))


def test_the_written_file_decodes_in_node(loamline: Run, tmp_path: Path) -> None:
    """The worked vector of the probe family's data sheet: 15.00 degC, 3.60 V."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("expected node on the path to run the generated decoder, found none: install Node.js 18 or later")
    file = tmp_path / "decoder.js"
    loamline("codec", "script", "measurement-v1", "--out", file)
    asked = "console.log(JSON.stringify(decodeUplink({ bytes: [1, 7, 58, 5, 220, 160, 37, 0, 42], fPort: 10 })));"
    file.write_text(file.read_text() + asked)
    told = subprocess.run([node, file], capture_output=True, text=True, check=True).stdout
    assert '"supply_v":3.6,' in told
    assert '"soil_temperature_degc":15}' in told


def test_an_unknown_name_is_refused_with_the_known_ones(loamline: Run) -> None:
    done = loamline("codec", "script", "measurement-v9")
    known = "measurement-v1, measurement-v2, measurement-v3, measurement-v4, status-v1"
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == f"NAME: expected one of {known}, got 'measurement-v9'\n"


def test_a_private_codec_that_no_script_can_say_is_refused_with_its_field(loamline: Run, tmp_path: Path) -> None:
    (tmp_path / "wide_v1.py").write_text(_WIDE)
    done = loamline("codec", "script", "wide-v1", "--codec-dir", tmp_path)
    assert (done.exit_code, done.stdout) == (1, "")
    told = "codec wide-v1: counter: expected in a script whole numbers of at most 53 bits, got 56 bits\n"
    assert done.stderr == told


def test_a_file_that_cannot_be_written_is_told(loamline: Run, tmp_path: Path) -> None:
    done = loamline("codec", "script", "status-v1", "--out", tmp_path / "nowhere" / "decoder.js")
    assert (done.exit_code, done.stdout) == (1, "")
    told = f"--out: expected a file that can be written, got {tmp_path}/nowhere/decoder.js: No such file or directory\n"
    assert done.stderr == told


def test_the_help_ends_with_an_example(loamline: Run) -> None:
    done = loamline("codec", "script", "--help")
    example = " ".join(done.stdout.partition("Example:")[2].split())
    assert example == "loamline codec script measurement-v3 --out measurement-v3.js"
