"""Where the rows of an export come from: the store, or the daemon that has it open."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa
import typer

from loamline.app.codecs import known_codecs, none_beside_a_daemon
from loamline.app.instants import instant
from loamline.app.looking import AsOf
from loamline.app.opening import daemon_of, open_store
from loamline.app.output import CommandError
from loamline.app.replay_work import asked, telling
from loamline.app.replaying import ReplayError
from loamline.edges.control_client import ControlClient
from loamline.edges.handed_over import streams
from loamline.edges.store.as_of import readings_as_of
from loamline.edges.store.placements import Surroundings, surroundings
from loamline.edges.store.readings import count_readings, readings


@dataclass(frozen=True)
class Rows:
    """The readings, how many they are where that is known beforehand, and what is told beside them."""

    stream: pa.RecordBatchReader
    count: int | None
    about: Surroundings


@contextmanager
def exported(
    store: Path, selected: AsOf, as_of: str | None, beside: Path, codec_dirs: Sequence[Path] | None
) -> Iterator[Rows]:
    """Yield the rows of an export; `as_of` is a revision or an instant as typed, None for what stands.

    Readings as of then come from a daemon too, which writes them to a file in the folder `beside`. Raises CommandError.
    """
    chosen = selected if as_of is None else _as_of(selected, as_of)
    client = None if as_of is None else daemon_of(store)
    if client is not None:
        with client:
            none_beside_a_daemon(codec_dirs)
            with _by_daemon(client, chosen, beside) as rows:
                yield rows
        return
    with open_store(store) as opened:
        try:
            selection = chosen.selection(opened)
        except ReplayError as problem:
            raise CommandError(str(problem)) from problem
        about = surroundings(opened, selection)
        if as_of is None:
            count = count_readings(opened, selection)
            yield Rows(readings(opened, selection), count, about)
            return
        try:
            at = chosen.at(opened)
        except ReplayError as problem:
            raise CommandError(str(problem), 2) from problem
        yield Rows(readings_as_of(opened, known_codecs(codec_dirs), selection, at), None, about)


def _as_of(selected: AsOf, told: str) -> AsOf:
    if told.isascii() and told.isdecimal():
        return replace(selected, revision=int(told))
    try:
        return replace(selected, instant=instant(told))
    except typer.BadParameter as problem:
        raise CommandError(f"--as-of: {problem}", 2) from problem


@contextmanager
def _by_daemon(client: ControlClient, chosen: AsOf, beside: Path) -> Iterator[Rows]:
    file = beside.absolute() / f".readings.{os.getpid()}.handed-over"
    try:
        with telling() as told:
            fields = {name: value for name, value in vars(chosen).items() if value is not None}
            times = {name: value.isoformat() for name, value in fields.items() if name in ("since", "until", "instant")}
            count = int(asked(client, "export_as_of", told, **{**fields, **times}, file=file)["rows"])
        with streams(file, 2) as ((placements, sites), stream):
            yield Rows(stream, count, Surroundings(placements, sites))
    finally:
        file.unlink(missing_ok=True)
