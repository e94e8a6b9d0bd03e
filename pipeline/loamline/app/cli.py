"""The `loamline` command: one line here a command, one module each in `loamline.app.commands`."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperGroup

from loamline.app.commands import (
    archive,
    backup,
    codec,
    config,
    curve,
    demo,
    deploy,
    derive,
    doctor,
    envelope,
    explain,
    export,
    fleet,
    guide,
    import_,
    ingest,
    init,
    key,
    mirror,
    profile,
    radio,
    read_again,
    registry,
    reload,
    replay,
    restore,
    schema,
    serve,
    set_aside,
    ship,
    status,
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
app.command("backup")(backup.backup)
app.add_typer(codec.app, name="codec")
app.add_typer(config.app, name="config")
app.add_typer(curve.app, name="curve")
app.command("demo")(demo.demo)
app.add_typer(deploy.app, name="deploy")
app.command("doctor")(doctor.doctor)
app.command("derive")(derive.derive)
app.add_typer(envelope.app, name="envelope")
app.command("explain")(explain.explain)
app.command("export")(export.export)
app.command("fleet")(fleet.fleet)
app.command("guide")(guide.guide)
app.command("import")(import_.import_)
app.command("ingest")(ingest.ingest)
app.command("init")(init.init)
app.add_typer(key.app, name="key")
app.command("mirror")(mirror.mirror)
app.command("profile")(profile.profile)
app.add_typer(radio.app, name="radio")
app.command("read-again")(read_again.read_again)
app.add_typer(registry.app, name="registry")
app.command("reload")(reload.reload)
app.add_typer(replay.app, name="replay")
app.command("restore")(restore.restore)
app.command("schema")(schema.schema)
app.command("serve")(serve.serve)
app.command("set-aside")(set_aside.set_aside)
app.command("status")(status.status)
app.command("ship")(ship.ship)
app.command("supply")(supply.supply)
app.command("verify")(verify.verify)


def main() -> None:
    """Run the command line."""
    keep_freed_memory()
    app()
