"""The `loamline` command: one line here a command, one module each in `loamline.app.commands`.

A command's module, with all that it needs, is imported when that command is run: a `status` that a script asks every
minute must not load the pages, and a list of the commands needs none of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from importlib import import_module
from typing import Any, cast

import typer
from typer.core import TyperCommand, TyperGroup

from loamline.app.output import CommandError, errors
from loamline.edges.allocator import keep_freed_memory
from loamline.edges.without_pandas import without_pandas

#: Name -> its line in the list of commands, which is the first sentence of its own help. The module is called the same.
COMMANDS = {
    "archive": "Closed months of the raw log as Parquet files, read as if still in it.",
    "backup": "Write the store as it stands now to one file, and read it back from disk before it gets its name.",
    "codec": "Payload versions: what is known, and what a payload says.",
    "config": "The daemon's settings: are they sound, and which are in force.",
    "curve": "Calibration curves: listed, shown, added, compared, fitted.",
    "demo": "Run an embedded broker, a simulated fleet and the daemon, and show what comes out, as pages too.",
    "deploy": "Files for running the daemon as a service.",
    "derive": "Derive every shipped segment, a bucket a task: Parquet files of readings, and a manifest that is "
    "written last.",
    "doctor": "Look at settings, files, daemon, store, disk, clock and brokers; say what to do about each.",
    "envelope": "Envelope maps: how any server's JSON becomes uplinks, drafted and tried.",
    "explain": "Explain the reading nearest a time: deliveries, bytes, registry rows, both curves, every check, the "
    "verdict.",
    "export": "Write readings to a file, ordered by dev_eui, depth_index and measured_at.",
    "fleet": "Show how every probe does; the longest silent first, then whatever else needs attention.",
    "guide": "Print a reference page made from the program itself: every command with its options, or every setting.",
    "import": "Import files of uplinks. A file imported again changes nothing.",
    "ingest": "Store every uplink from MQTT brokers and from a webhook; acknowledge only what is stored.",
    "init": "Write commented settings, a small invented registry, an example map and a place for secrets into DIR.",
    "key": "Keys to the read API: made, listed, revoked.",
    "mirror": "Keep a copy of the readings in Parquet, for DuckDB, pandas, polars or Spark.",
    "profile": "Show the water of every site's root zone by the hour, in mm, in order of time.",
    "radio": "The radio link: time on air, delivery, margin, and who hears whom.",
    "read-again": "Read messages that were no uplinks again, with the maps and keys of now.",
    "registry": "Sites, probes, placements, curves, limits, soils and crops.",
    "reload": "Have the running daemon take up what its settings' files hold now; no message is lost or waits for it.",
    "replay": "Recompute history after a correction, see what changes, take it back.",
    "restore": "Make a store of a backup; nothing is overwritten, and a backup that was damaged is refused.",
    "schema": "Print a JSON Schema (draft 2020-12) of what crosses an edge as text.",
    "serve": "Serve the read API and the pages of a store at rest, until Ctrl-C; nothing is written.",
    "set-aside": "Show uplinks that no codec reads and messages that are no uplinks, the newest first.",
    "ship": "Seal closed months (UTC) of the raw log into Parquet segments by month and bucket, with the registry "
    "beside them.",
    "status": "Show how the daemon is that has the store open: ways in, queue, totals, when it last stored and heard, "
    "room.",
    "supply": "Estimate when each probe's cell comes to its end, the soonest first, or say that there is not enough "
    "data.",
    "verify": "Derive everything again from the raw log and compare it with what is stored, bit for bit.",
}


class _OnDemand(Mapping[str, Any]):
    """Commands by name, each imported when it is first asked for."""

    def __getitem__(self, name: str) -> Any:
        if name not in COMMANDS:
            raise KeyError(name)
        return _imported(name)

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)


@cache
def _imported(name: str) -> Any:
    """Return a command, or a group of them: a module has `app`, or a function that is called as the module is."""
    word = name.replace("-", "_")
    module = import_module(f"loamline.app.commands.{'import_' if word == 'import' else word}")
    parent = typer.Typer(add_completion=False, rich_markup_mode="markdown")
    if hasattr(module, "app"):
        parent.add_typer(module.app, name=name)
    else:
        parent.command(name)(getattr(module, module.__name__.rpartition(".")[2]))
    return typer.main.get_group(parent).commands[name]


class Commands(TyperGroup):
    """Commands that are imported on demand.

    A problem that has a sentence is told in that sentence, with its exit code, and no traceback.
    """

    def __init__(self, **told: Any) -> None:
        super().__init__(**told)
        self.commands = cast(Any, _OnDemand())  # typer adds none to it
        self._listing = False

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 - typer's signature
        """Return the names of all commands, and import none."""
        return [*COMMANDS]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return a command; of one that is only to be listed, name and help."""
        if self._listing and cmd_name in COMMANDS:
            return TyperCommand(cmd_name, help=COMMANDS[cmd_name])
        return super().get_command(ctx, cmd_name)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """List the commands."""
        self._listing = True
        try:
            super().format_help(ctx, formatter)
        finally:
            self._listing = False

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except CommandError as problem:
            errors.print(str(problem), style="red", markup=False, soft_wrap=True)
            raise typer.Exit(problem.code) from None


app = typer.Typer(
    name="loamline",
    cls=Commands,
    help="From a buried probe's radio message to a soil-moisture figure that can be trusted.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback()
def _every_command() -> None:
    pass


def main() -> None:
    """Run the command line."""
    keep_freed_memory()
    without_pandas()
    app()
