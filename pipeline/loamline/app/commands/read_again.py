"""`loamline read-again`: messages that were no uplinks when they came, read with the maps and keys of now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import duckdb
import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.envelopes import KeyEncryptionKeyOption, KeysOption, MapsOption, known_keys, reader_of
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, errors, print_json
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.kinds import EnvelopeKindError, as_recorded, recorded_reader
from loamline.edges.messages import Accepted, Incoming
from loamline.edges.store import rejected
from loamline.edges.store.connection import Store
from loamline.edges.store.rejected import KeptMessage
from loamline.edges.store.writer import Writer

#: Messages told one by one; the rest is counted.
TOLD = 20


@dataclass
class Counts:
    """What became of messages that were kept; every message is in one of `read`, `unreadable` and `not_tried`.

    `uplinks` were in those that are read now, `accepted`, `duplicates` and `set_aside` as in `import`; beside them
    were `left` items that are no uplinks, now kept each by itself. `not_tried`: their map is not there.
    """

    kept: int = 0
    read: int = 0
    unreadable: int = 0
    not_tried: int = 0
    uplinks: int = 0
    accepted: int = 0
    duplicates: int = 0
    set_aside: int = 0
    left: int = 0


def read_again(
    store: Annotated[Path, typer.Option(help="the DuckDB file; no daemon may have it open")],
    envelope: Annotated[
        str | None, typer.Option(help="read all of them as this, instead of what each was read as when it came")
    ] = None,
    maps: MapsOption = None,
    keys: KeysOption = None,
    key_encryption_key: KeyEncryptionKeyOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the counts as one JSON object")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Read messages that were no uplinks again, with the maps and keys of now.

    What is an uplink now is stored as if it had come so, and leaves the messages set aside in the same step; the
    others stay as they are. Done again, it changes nothing. The exit code is 1 where messages could not be tried.

    Example: loamline read-again --store soil.duckdb --maps ./maps --keys probes.keys
    """
    codecs = known_codecs(codec_dir)
    reader_for = _readers(envelope, maps, keys, key_encryption_key)
    counts = Counts()
    with open_store(store, writable=True) as opened:
        writer = Writer(opened, codecs)
        for instant in rejected.instants(opened):
            _read_those(opened, writer, instant, reader_for, counts)
    if as_json:
        print_json(vars(counts))
    else:
        console.print(_told(counts))
    if counts.not_tried:
        raise typer.Exit(1)


def _readers(
    envelope: str | None, maps: Path | None, keys: Path | None, key_encryption_key: Path | None
) -> Callable[[str], EnvelopeReader | None]:
    """Return which reader is for messages of a recorded kind; None, which is told once, where there is none."""
    if envelope is not None:
        reader = reader_of(envelope, maps=maps, keys=keys, key_encryption_key=key_encryption_key)
        return lambda kind: as_recorded(reader, kind)
    known = known_keys(keys, key_encryption_key)
    made: dict[str, EnvelopeReader | None] = {}

    def reader_for(kind: str) -> EnvelopeReader | None:
        if kind not in made:
            try:
                made[kind] = recorded_reader(kind, keys=known, maps_dir=maps)
            except EnvelopeKindError as problem:
                made[kind] = None
                errors.print(f"read as {kind}: {problem}", style="yellow", markup=False, soft_wrap=True)
        return made[kind]

    return reader_for


def _read_those(
    store: Store,
    writer: Writer,
    instant: datetime,
    reader_for: Callable[[str], EnvelopeReader | None],
    counts: Counts,
) -> None:
    """Read again what was stored at one instant, and store what is in it in one transaction."""
    found: list[Incoming] = []
    read: dict[int, None] = {}
    for message in rejected.stored_at(store, instant):
        reader = reader_for(message.kind)
        if reader is None:
            counts.kept, counts.not_tried = counts.kept + 1, counts.not_tried + 1
            continue
        told = reader(message.content, message.source)
        counts.kept += 1
        if any(isinstance(one, Accepted) for one in told):
            counts.read += 1
            if message.digest not in read:
                found += told
            read[message.digest] = None
        else:
            counts.unreadable += 1
            _tell(message, told, counts.unreadable)
    if not read:
        return
    try:
        # A message without a time was heard when it came, not now; but nobody knew of it before now.
        outcome = writer.commit(found, instant, stored_at=datetime.now(UTC), read_after_all=list(read))
    except duckdb.Error as problem:
        first = str(problem).splitlines()[0]
        raise CommandError(
            f"expected to store {len(found)} uplinks of messages kept at {instant.isoformat()}, got {first}; what was "
            "read before is stored, the rest stays kept: mend the cause and read again"
        ) from problem
    counts.uplinks += outcome.read - outcome.unreadable
    counts.accepted += outcome.accepted
    counts.duplicates += outcome.duplicates
    counts.set_aside += outcome.set_aside
    counts.left += outcome.unreadable


def _tell(message: KeptMessage, told: list[Incoming], number: int) -> None:
    if number <= TOLD:
        why = next((one.detail for one in told if not isinstance(one, Accepted)), message.detail)
        errors.print(why, style="yellow", markup=False, soft_wrap=True)
    elif number == TOLD + 1:
        errors.print("further messages that are no uplinks are counted and stay, not shown", style="yellow")


def _told(counts: Counts) -> str:
    if not counts.kept:
        return "no message is kept unread: there is nothing to read again"
    untried = f", {counts.not_tried} not tried" if counts.not_tried else ""
    return (
        f"{counts.kept} kept: {counts.read} read now, {counts.unreadable} still no uplinks{untried}; "
        f"{counts.uplinks} uplinks: {counts.accepted} accepted, {counts.duplicates} duplicates, "
        f"{counts.set_aside} set aside"
    )
