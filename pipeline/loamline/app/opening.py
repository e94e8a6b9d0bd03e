"""Opening the store for a command, or finding the daemon that has it open; trouble is told in one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Any, cast

from loamline.app.output import CommandError
from loamline.edges.control import ControlError, socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.store.borrowed import BorrowedConnection
from loamline.edges.store.connection import Store, StoreBusyError, StoreError, StoreOutdatedError


@contextmanager
def open_store(path: Path, *, writable: bool | None = None, create: bool = False, lent: bool = True) -> Iterator[Store]:
    """Yield the store at `path`, opened to read unless it is to be written or made; CommandError where it can't be.

    To read it beside a daemon that has it open, a view of its store will do, unless `lent` is false: as it stood when
    it was lent, for some minutes.
    """
    written = create if writable is None else writable
    try:
        with ExitStack() as stack:
            try:
                store = stack.enter_context(Store.open(path, create=create, writable=written))
            except StoreBusyError:
                view = lent_store(path, stack) if lent and not written else None
                if view is None:
                    raise
                store = view
            yield store
    except StoreError as problem:
        raise CommandError(str(problem)) from problem


def lent_store(path: Path, stack: ExitStack) -> Store | None:
    """Return a view of the store at `path` that its daemon lends until `stack` is closed; None where none answers.

    Raises CommandError.
    """
    client = daemon_of(path)
    if client is None:
        return None
    stack.enter_context(client)
    try:
        told, connection = client.borrowed("lend")
        con = stack.enter_context(closing(BorrowedConnection(connection)))
        return Store.lent(path, cast(Any, con), Path(told["folder"]))
    except ControlError as problem:
        raise CommandError(str(problem)) from problem
    except StoreOutdatedError as problem:
        raise CommandError(
            f"{problem}; the daemon that has it open is of an older loamline: start it again"
        ) from problem


def daemon_of(path: Path) -> ControlClient | None:
    """Return a connection to the daemon that has the store at `path` open; None where none answers."""
    try:
        return ControlClient(socket_path(path))
    except OSError:
        return None
