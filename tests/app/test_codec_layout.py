"""`loamline codec layout` as a person and a script see it."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from typer.testing import CliRunner, Result

from loamline.app.cli import app
from loamline_codecs import BUILT_IN
from loamline_codecs.layout_markdown import as_markdown
from loamline_codecs.readme import readme

_PRIVATE = """
from construct import Const, Int8ub, Int16ub, Struct
from loamline_codecs import Codec, Match, Quantity

CODEC = Codec(
    "stake-v1", "A stake.", "status", Match(30, 8, 1),
    Struct("version" / Const(1, Int8ub), "supply" / Int16ub),
    (Quantity("supply_v", "supply", "V", scale="0.001"),),
)
"""


def _run(*arguments: str) -> Result:
    environment = {"COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"}
    return CliRunner().invoke(app, ["codec", "layout", *arguments], env=environment)


@pytest.mark.parametrize("codec", BUILT_IN, ids=lambda codec: codec.name)
@pytest.mark.parametrize("form", [[], ["--markdown"]])
def test_a_codec_is_told_as_markdown(codec: object, form: list[str]) -> None:
    name = codec.name  # type: ignore[attr-defined]
    result = _run(name, *form)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout == as_markdown(next(one for one in BUILT_IN if one.name == name))


def test_markdown_begins_with_description_match_length_and_digest() -> None:
    assert _run("measurement-v4").stdout.splitlines()[:8] == [
        "## measurement-v4",
        "",
        "One to six depths as relative permittivity, computed in the probe; bulk conductivity where fitted.",
        "",
        "- reads: FPort 10, byte 0 = 0x40..0x4F; a measurement",
        "- length: 8 bytes, then 4 (and 2 where flags.conductivity_present) for each of depths",
        f"- digest: `{BUILT_IN[3].digest}`",
        "",
    ]


def test_a_drawing_is_written_to_a_file(tmp_path: Path) -> None:
    out = tmp_path / "v4.svg"
    result = _run("measurement-v4", "--svg", "--out", str(out))
    assert (result.exit_code, result.stdout) == (0, f"wrote {out}\n")
    assert ET.parse(out).getroot().tag.endswith("svg")  # noqa: S314 - our own text


def test_a_script_gets_places_quantities_conditions_and_repeats() -> None:
    told = json.loads(_run("measurement-v4", "--json").stdout)
    assert (told["name"], told["port"], told["digest"]) == ("measurement-v4", 10, BUILT_IN[3].digest)
    rows = {row["field"]: row for row in told["rows"]}
    assert rows["supply_voltage"]["bits"] == [{"first_bit": 48, "bits": 16}]
    assert rows["depths"]["times"] == "head.depths times"
    conductivity = rows["depths[k].conductivity"]
    assert conductivity["conditions"] == ["flags.conductivity_present"]
    assert conductivity["repeats"] == ["head.depths times"]
    assert conductivity["bits"] is None
    assert (conductivity["quantities"][0]["name"], conductivity["quantities"][0]["unit"]) == (
        "conductivity_ds_m",
        "dS/m",
    )
    assert rows["depths[k].permittivity"]["quantities"][0]["sentinels"] == {"65535": "transducer fault"}


def test_all_is_the_page_on_the_codecs(tmp_path: Path) -> None:
    assert _run("--all").stdout == readme()
    assert _run("--all", "--out", str(tmp_path / "README.md")).exit_code == 0
    assert (tmp_path / "README.md").read_text(encoding="utf-8") == readme()


def test_a_private_codec_is_told_too(tmp_path: Path) -> None:
    (tmp_path / "stake.py").write_text(_PRIVATE)
    told = _run("stake-v1", "--codec-dir", str(tmp_path)).stdout
    assert "| 1-2 | | `supply` | unsigned, 16 bits, big-endian | 0 to 65535 | supply_v = raw x 0.001, in V |" in told


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ([], "expected the NAME of a codec, or --all, got neither; `loamline codec list` names them"),
        (
            ["status-v1", "--all"],
            "expected the NAME of a codec, or --all, got both --all and 'status-v1'; `loamline codec list` names them",
        ),
        (["status-v1", "--svg", "--json"], "expected one of --markdown, --svg and --json, got several"),
        (["--all", "--svg"], "expected --all with Markdown, got it with another form; name one codec for that"),
        (
            ["status-v1", "--json", "--out", "x"],
            "expected --out with --markdown or --svg, got it with --json; redirect standard output",
        ),
        (
            ["status-v2"],
            (
                "codec: expected one of measurement-v1, measurement-v2, measurement-v3, measurement-v4, status-v1, "
                "got 'status-v2'"
            ),
        ),
    ],
)
def test_a_wrong_request_is_told_in_one_sentence(arguments: list[str], sentence: str) -> None:
    result = _run(*arguments)
    assert result.exit_code in (1, 2)
    assert (result.stdout, result.stderr) == ("", f"{sentence}\n")


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    result = _run("status-v1", "--out", str(tmp_path / "no" / "x.md"))
    assert result.exit_code == 1
    assert result.stderr.startswith("--out: expected a file that can be written, got ")


def test_help_ends_with_an_example() -> None:
    lines = [" ".join(line.split()) for line in _run("--help").stdout.splitlines() if line.strip()]
    assert lines[-2:] == ["Example:", "loamline codec layout measurement-v4 --svg --out measurement-v4.svg"]
