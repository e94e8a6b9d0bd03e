"""The guides say what the program does: reference pages are its own words, and every command in them runs."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

GUIDES = Path("pipeline/loamline/guides").absolute()
PAGES = [Path("README.md").absolute(), Path("DEVELOPERS.md").absolute(), *sorted(GUIDES.glob("*.md"))]


def commands(page: Path) -> list[str]:
    """Return the lines of a page's shell blocks, in order."""
    blocks = re.findall(r"^ *```sh\n(.*?)^ *```", page.read_text(), re.DOTALL | re.MULTILINE)
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


@pytest.mark.parametrize("name", ["commands", "settings"])
def test_a_reference_page_is_what_the_program_says_of_itself(loamline, name):
    """After a change: `uv run loamline guide NAME --out pipeline/loamline/guides/NAME.md`."""
    assert loamline("guide", name).stdout == (GUIDES / f"{name}.md").read_text()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_option_that_a_page_shows_is_one_that_the_command_has(loamline, page):
    reference = (GUIDES / "commands.md").read_text()
    told = dict(re.findall(r"^## `loamline ([^`]+)`\n(.*?)(?=^## |\Z)", reference, re.DOTALL | re.MULTILINE))
    for line in commands(page):
        words = shlex.split(line.replace("uv run ", "").partition(" | ")[0].partition(" > ")[0], comments=True)
        if not words or words[0] != "loamline":
            continue
        name = next((" ".join(words[1 : 1 + n]) for n in (2, 1) if " ".join(words[1 : 1 + n]) in told), None)
        assert name is not None, f"{page}: expected a command that there is, got: {line}"
        for word in words:
            if word.startswith("--"):
                assert f"`{word.partition('=')[0]}`" in told[name], f"{page}: {name} has no {word}"


def test_the_data_teams_guide_runs_as_it_stands(demo, loamline, tmp_path, monkeypatch):
    """On the demo's own store, in the order of the page."""
    shutil.copytree(demo[0], tmp_path / "loamline-demo")
    monkeypatch.chdir(tmp_path)
    for line in commands(GUIDES / "data_team.md"):
        program, *words = shlex.split(line)
        if program == "loamline":
            done = loamline(*words)
            assert done.exit_code == 0, f"{line}\n{done.output[-2000:]}"
        else:
            subprocess.run(["bash", "-c", line], check=True)
    made = {"changes.parquet", "before.csv", "october.xlsx", "readings.parquet", "readings.senml", "mirror", "derived"}
    assert made <= {path.name for path in tmp_path.iterdir()}
