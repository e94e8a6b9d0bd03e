"""Golden payloads as tests: one a file, and the option that rewrites expectations.

The engine is `loamline_codecs.golden`. `uv run pytest tests/codecs --update-goldens` rewrites the expectations.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from loamline_codecs import builtin_codecs
from loamline_codecs.golden import Golden
from tests.codecs.javascript import Ask, answers

ROOT = Path(__file__).parents[2]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option that rewrites expectations."""
    parser.addoption("--update-goldens", action="store_true", help="rewrite what the golden payloads must give")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Make one test a golden file."""
    if "golden_path" in metafunc.fixturenames:
        paths = _shipped().paths()
        metafunc.parametrize("golden_path", paths, ids=[f"{path.parent.name}/{path.stem}" for path in paths])


def _shipped() -> Golden:
    return Golden(ROOT / "replay_fixtures", builtin_codecs())


@pytest.fixture(scope="session")
def golden() -> Golden:
    """The shipped golden cases."""
    return _shipped()


@pytest.fixture(scope="session")
def update_goldens(pytestconfig: pytest.Config) -> bool:
    """Whether expectations are to be rewritten; the option is unknown where this folder wasn't named."""
    return bool(pytestconfig.getoption("update_goldens", default=False))


@pytest.fixture
def ask(tmp_path: Path) -> Ask:
    """Return a function that gives a script many inputs in one node process."""

    def run(source: str, inputs: list[Any], entry: str = "decodeUplink") -> list[Any]:
        return answers(tmp_path, [{"source": source, "entry": entry, "inputs": inputs}])[0]

    return run
