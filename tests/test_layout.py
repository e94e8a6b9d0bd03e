"""Where things stand in the project, and which way imports point."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCE_ROOTS = ("pipeline", "codecs", "schemas")
PACKAGES = {"pipeline": "loamline", "codecs": "loamline_codecs", "schemas": "loamline_schemas"}

MOST_LINES = 300
#: Modules that may be longer, up to so many lines, and why.
LONGER = {}


def files() -> list[Path]:
    """Return every file that git knows or would take, relative to the root."""
    done = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [Path(name) for name in done.stdout.split("\0") if name and (ROOT / name).exists()]


def test_the_top_level_holds_what_the_design_allows_and_nothing_else() -> None:
    """Three source roots, tests, fixtures, two texts, the licence, the project file; names with a dot are tools'."""
    allowed = {*SOURCE_ROOTS, "tests", "replay_fixtures", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    assert {path.parts[0] for path in files() if not path.parts[0].startswith(".")} <= allowed


def test_each_source_root_holds_one_package_and_nothing_beside_it() -> None:
    """The codecs' root holds the page on them, too, which is made from their declarations."""
    found = {path.parts[:2] for path in files() if path.parts[0] in SOURCE_ROOTS}
    assert found - {("codecs", "README.md")} == set(PACKAGES.items())


def test_every_package_says_that_it_is_typed() -> None:
    assert {Path(root, package, "py.typed") for root, package in PACKAGES.items()} <= set(files())


def test_no_lock_file_is_kept() -> None:
    """It would carry the addresses of whichever package index made it."""
    assert [path for path in files() if path.name in {"uv.lock", "poetry.lock", "Pipfile.lock"}] == []


def test_no_module_is_longer_than_can_be_read_at_one_sitting() -> None:
    too_long = {
        path.as_posix(): lines
        for path in files()
        if path.suffix == ".py" and path.parts[0] in SOURCE_ROOTS
        if (lines := len((ROOT / path).read_text().splitlines())) > LONGER.get(path.as_posix(), (MOST_LINES,))[0]
    }
    assert too_long == {}


def test_every_exception_to_that_is_still_needed() -> None:
    lines = {name: len((ROOT / name).read_text().splitlines()) for name in LONGER}
    assert {name for name, count in lines.items() if count <= MOST_LINES} == set()


# --- which way imports point --------------------------------------------------------------------------------------


def lint_imports(project: Path) -> subprocess.CompletedProcess[str]:
    """Run import-linter on a checkout, whose own source roots come before any that are installed."""
    roots = os.pathsep.join(str(project / root) for root in SOURCE_ROOTS)
    return subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=project,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": roots, "COLUMNS": "200"},
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Return a copy of the sources and the project file."""
    for root in SOURCE_ROOTS:
        shutil.copytree(ROOT / root, tmp_path / root, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def plant(project: Path, module: str, line: str) -> None:
    """Put one import at the end of a module of a copy."""
    with (project / module).open("a") as file:
        file.write(f"\n{line}\n")


def test_imports_point_one_way() -> None:
    """app > edges > core > codecs > schemas; core and codecs pure; construct in the codecs alone."""
    done = lint_imports(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    assert " 0 broken" in done.stdout


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("pipeline/loamline/core/samples.py", "import duckdb", "no database, network, clock or logger"),
        ("codecs/loamline_codecs/quantities.py", "import logging", "no database, network, clock or logger"),
        ("pipeline/loamline/core/samples.py", "import loamline.edges.files", "Imports point one way"),
        ("schemas/loamline_schemas/limits.py", "import loamline_codecs", "Imports point one way"),
        ("pipeline/loamline/edges/files.py", "import construct", "Only the codecs package knows construct"),
    ],
)
def test_a_planted_import_against_the_rules_is_reported_as_broken(
    copy: Path, module: str, line: str, contract: str
) -> None:
    plant(copy, module, line)
    done = lint_imports(copy)
    assert done.returncode == 1, done.stdout + done.stderr
    broken = [told for told in done.stdout.splitlines() if told.endswith(" BROKEN")]
    assert [told for told in broken if contract in told], done.stdout
    assert " 1 broken" in done.stdout
