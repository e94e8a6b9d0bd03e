"""Opening the store for a command, or finding the daemon that has it open; trouble is told in one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from loamline.app.output import CommandError
from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.store.connection import Store, StoreError


@contextmanager
def open_store(path: Path, *, writable: bool | None = None, create: bool = False) -> Iterator[Store]:
    """Yield the store at `path`, opened to read unless it is to be written or made; CommandError where it can't be."""
    try:
        store = Store.open(path, create=create, writable=create if writable is None else writable)
    except StoreError as problem:
        raise CommandError(str(problem)) from problem
    with store:
        yield store


def daemon_of(path: Path) -> ControlClient | None:
    """Return a connection to the daemon that has the store at `path` open; None where none answers."""
    try:
        return ControlClient(socket_path(path))
    except OSError:
        return None
