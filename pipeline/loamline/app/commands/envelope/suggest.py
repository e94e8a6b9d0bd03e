"""`loamline envelope suggest`: a map drafted from a sample message, to be edited."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.commands.envelope.sample import sample_message
from loamline.app.output import CommandError, errors, put_text
from loamline.edges.envelopes.map_draft import draft_map


def suggest_command(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A message as JSON; of several lines, the first.")],
    out: Annotated[Path | None, typer.Option(metavar="MAP", help="Write it there; else to standard output.")] = None,
) -> None:
    """Draft a map from a sample message by the shapes of its values: identifiers, times, payloads, dBm, frequencies.

    It is a starting point: doubts stand beside the lines as comments. Nothing is overwritten.
    """
    text = draft_map(sample_message(file))
    if out is not None and out.exists():
        raise CommandError(f"--out: expected no {out} yet, got one: nothing was written; name another file", 2)
    put_text(text, out, errors)
    if "# NOT FOUND" in text:
        errors.print("some fields are necessary and were not found: see NOT FOUND", style="yellow", soft_wrap=True)
