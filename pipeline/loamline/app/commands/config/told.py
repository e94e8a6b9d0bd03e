"""What the verbs of `loamline config` are told alike."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

FileArgument = Annotated[
    Path | None, typer.Argument(metavar="FILE", help="The TOML file of settings; none: the environment and defaults.")
]
