"""The option by which the verbs of `loamline archive` are told which store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

StoreOption = Annotated[
    Path, typer.Option(help="the DuckDB file; where a daemon has it open, the daemon does the work")
]
