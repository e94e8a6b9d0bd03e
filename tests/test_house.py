"""The house rules, checked by the tools that know them: one command tests everything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["ruff", "check", "--no-cache", "."], id="ruff finds nothing"),
        pytest.param(["ruff", "format", "--no-cache", "--check", "."], id="ruff would format nothing"),
        pytest.param(["mypy"], id="mypy --strict finds nothing"),
        pytest.param(["vulture"], id="vulture finds no code that nothing uses"),
    ],
)
def test_house_rule(command: list[str]) -> None:
    """Each tool runs with the settings of pyproject.toml and finds nothing to say."""
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, done.stdout + done.stderr
