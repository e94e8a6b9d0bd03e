"""`loamline codec ...`: what payload versions are known and what a payload says."""

from __future__ import annotations

import typer

app = typer.Typer(help="Payload versions: what is known, and what a payload says.", no_args_is_help=True)
