"""The `loamline` command: one line here a command, one module each in `loamline.app.commands`."""

from __future__ import annotations

import sys

import typer

from loamline.app.commands import codec
from loamline.app.output import CommandError, errors

app = typer.Typer(
    name="loamline",
    help="From a buried probe's radio message to a soil-moisture figure that can be trusted.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.add_typer(codec.app, name="codec")


def main() -> None:
    """Run the command; a problem that has a sentence is told in that sentence, with its exit code."""
    try:
        app()
    except CommandError as problem:
        errors.print(str(problem), style="red", markup=False, soft_wrap=True)
        sys.exit(problem.code)
