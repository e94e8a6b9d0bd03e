"""A store and its writer, which fail or are killed at any statement: the daemon's side of `derivation_machine`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from loamline.edges.messages import Accepted
from loamline.edges.store.connection import Store
from loamline.edges.store.writer import Writer
from loamline_schemas.uplink import Uplink
from tests.edges.machine_air import CODECS


class Killed(BaseException):
    """The process is gone: nobody handles this."""


class DyingConnection:
    """A connection that fails or kills at one statement: before it runs, or after."""

    def __init__(self, con: Any) -> None:
        self._con = con
        self.left: int | None = None  # statements until it happens; None: never
        self.after_commit = False
        self.error: BaseException = Killed()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)

    def execute(self, query: str, parameters: Any = None) -> Any:
        """Run a statement, or not."""
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                self.left = None
                raise self.error
        told = self._con.execute(query) if parameters is None else self._con.execute(query, parameters)
        if self.after_commit and query == "COMMIT":
            self.after_commit = False
            raise Killed
        return told


class Daemon:
    """An open store and its writer; it can die and come back."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.open()

    def open(self) -> None:
        """Open the store."""
        self.worked = False
        self.store = Store.open(self.path, create=True)
        self.dying = DyingConnection(self.store.con)
        self.store.con = self.dying  # type: ignore[assignment]
        self.writer = Writer(self.store, CODECS)

    def close(self) -> None:
        """Close the store, in whatever state it is."""
        self.store.close()

    def restart(self) -> None:
        """Come back after an end, however it came."""
        self.close()
        self.open()

    def commit(self, uplinks: Sequence[Uplink], now: datetime) -> None:
        """Commit uplinks as one batch."""
        self.worked = True
        self.writer.commit([Accepted(uplink, b"{}") for uplink in uplinks], now)
