"""A command as a person runs it, in this process, with nothing of whoever runs the tests in its environment."""

from __future__ import annotations

import os

from typer.testing import CliRunner, Result

from loamline.app.cli import app


def run(*arguments: object, **environment: str) -> Result:
    """Return what `loamline ARGUMENTS` printed, and its exit code."""
    clean: dict[str, str | None] = {name: None for name in os.environ if name.startswith("LOAMLINE_")}
    clean |= {"COLUMNS": "160", "NO_COLOR": "1", "TERM": "dumb", **environment}
    return CliRunner().invoke(app, [str(argument) for argument in arguments], env=clean)
