"""Golden payloads as tests: one a file, and the option that rewrites expectations.

The engine is `loamline_codecs.golden`. `uv run pytest tests/codecs --update-goldens` rewrites the expectations.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from loamline_codecs import builtin_codecs
from loamline_codecs.golden import Golden

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
