"""`loamline import`: files of uplinks into the store, through the same writer as live ingest."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Annotated

import duckdb
import typer
from rich.progress import Progress, TaskID

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.envelopes import KeyEncryptionKeyOption, KeysOption, MapsOption, reader_of
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json, progress_bar
from loamline.edges.files import read_lines
from loamline.edges.messages import Incoming, Outcome, Rejected
from loamline.edges.store.writer import Writer

#: Uplinks a transaction: enough to spread the fixed cost, little enough to lose no more than seconds to a crash.
BATCH = 20_000
#: Unreadable lines told one by one; the rest is counted and kept in the store.
TOLD = 20


def import_(
    files: Annotated[list[Path], typer.Argument(help="JSON, one message a line; gzip too", metavar="FILE...")],
    store: Annotated[Path, typer.Option(help="the DuckDB file; made where there is none")],
    as_json: Annotated[bool, typer.Option("--json", help="print the counts as one JSON object")] = False,
    batch: Annotated[int, typer.Option(help="uplinks a transaction", min=1, max=1_000_000)] = BATCH,
    codec_dir: CodecDirOption = None,
    envelope: Annotated[
        str, typer.Option(help="what the lines are: canonical, ts002, phypayload, a map's .toml file, or its name")
    ] = "canonical",
    maps: MapsOption = None,
    keys: KeysOption = None,
    key_encryption_key: KeyEncryptionKeyOption = None,
) -> None:
    """Import files of uplinks. A file imported again changes nothing.

    Lines that are no uplink are told with their number and kept in the store; the rest goes on, and the exit code is 1.
    With a map mended or a key added, `loamline read-again` reads those that are kept.

    Example: loamline import may.ndjson.gz june.ndjson --store soil.duckdb
    """
    for file in files:
        if not file.is_file():
            raise CommandError(f"expected a file of uplinks at {file}, found none; nothing was imported")
    codecs = known_codecs(codec_dir)
    reader = reader_of(envelope, maps=maps, keys=keys, key_encryption_key=key_encryption_key)
    outcome = Outcome()
    with open_store(store, create=True) as opened, progress_bar() as progress:
        writer = Writer(opened, codecs)
        for file in files:
            advance = partial(_advance, progress, progress.add_task(file.name, total=file.stat().st_size))
            lines = read_lines(file, advance, reader)
            for messages in _batches(file, lines, batch):
                outcome += _commit(writer, messages, file)
                _tell(progress, messages, outcome)
    if as_json:
        print_json(vars(outcome))
    else:
        console.print(
            f"{outcome.read} read: {outcome.accepted} accepted, {outcome.duplicates} duplicates, "
            f"{outcome.set_aside} set aside, {outcome.unreadable} unreadable"
        )
        if outcome.set_aside or outcome.unreadable:
            console.print(f"see them with: loamline set-aside --store {store}")
    if outcome.unreadable:
        raise typer.Exit(1)


def _advance(progress: Progress, task: TaskID, done: int) -> None:
    progress.update(task, completed=done)


def _batches(file: Path, lines: Iterator[Incoming], size: int) -> Iterator[list[Incoming]]:
    try:
        while messages := list(islice(lines, size)):
            yield messages
    except OSError as problem:
        raise CommandError(
            f"expected to read {file} to its end, got {problem}; import it again once it is whole"
        ) from None


def _commit(writer: Writer, messages: list[Incoming], file: Path) -> Outcome:
    try:
        return writer.commit(messages)
    except duckdb.Error as problem:
        first = str(problem).splitlines()[0]
        raise CommandError(
            f"expected to store a batch of {len(messages)} uplinks of {file}, got {first}; "
            "what came before is stored: mend the cause and import the file again"
        ) from problem


def _tell(progress: Progress, messages: list[Incoming], outcome: Outcome) -> None:
    rejected = [message for message in messages if isinstance(message, Rejected)]
    told_before = outcome.unreadable - len(rejected)
    for message in rejected[: max(0, TOLD - told_before)]:
        progress.console.print(message.detail, style="yellow", markup=False, soft_wrap=True)
    if told_before < TOLD <= outcome.unreadable:
        progress.console.print("further unreadable lines are counted and kept, not shown", style="yellow")
