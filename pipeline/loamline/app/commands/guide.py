"""`loamline guide`: reference pages of all commands and all settings, as Markdown."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from loamline.app.output import errors, put_text
from loamline.app.reference_pages import commands_page, settings_page


def guide(
    context: typer.Context,
    page: Annotated[Literal["commands", "settings"], typer.Argument(help="which page")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="write it there, else to the screen")
    ] = None,
) -> None:
    """Print a reference page made from the program itself: every command with its options, or every setting.

    Example: loamline guide settings --out settings.md
    """
    root = context.find_root().command
    text = settings_page() if page == "settings" else commands_page(root)
    put_text(text, out, errors)
