"""The `loamline` command: one line here a command, one module each in `loamline.app.commands`."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperGroup

from loamline.app.commands import (
    archive,
    codec,
    curve,
    demo,
    envelope,
    explain,
    export,
    fleet,
    import_,
    ingest,
    mirror,
    profile,
    radio,
    read_again,
    registry,
    replay,
    schema,
    set_aside,
    supply,
    verify,
)
from loamline.app.output import CommandError, errors
from loamline.edges.allocator import keep_freed_memory


class OneSentence(TyperGroup):
    """A problem that has a sentence is told in that sentence, with its exit code, and no traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except CommandError as problem:
            errors.print(str(problem), style="red", markup=False, soft_wrap=True)
            raise typer.Exit(problem.code) from None


app = typer.Typer(
    name="loamline",
    cls=OneSentence,
    help="From a buried probe's radio message to a soil-moisture figure that can be trusted.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.add_typer(archive.app, name="archive")
app.add_typer(codec.app, name="codec")
app.add_typer(curve.app, name="curve")
app.command("demo")(demo.demo)
app.add_typer(envelope.app, name="envelope")
app.command("explain")(explain.explain)
app.command("export")(export.export)
app.command("fleet")(fleet.fleet)
app.command("import")(import_.import_)
app.command("ingest")(ingest.ingest)
app.command("mirror")(mirror.mirror)
app.command("profile")(profile.profile)
app.add_typer(radio.app, name="radio")
app.command("read-again")(read_again.read_again)
app.add_typer(registry.app, name="registry")
app.add_typer(replay.app, name="replay")
app.command("schema")(schema.schema)
app.command("set-aside")(set_aside.set_aside)
app.command("supply")(supply.supply)
app.command("verify")(verify.verify)


def main() -> None:
    """Run the command line."""
    keep_freed_memory()
    app()
