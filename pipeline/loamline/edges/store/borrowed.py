"""The connection to a store that the daemon lends: as much of DuckDB's Python interface as reading code uses.

`lending.py` is the other side. What DuckDB raises there is raised here; rows come piece by piece, as they are fetched.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import duckdb
import pyarrow as pa

from loamline.edges.frames import FrameError, Frames, as_stream, of_stream
from loamline.edges.plain_values import from_json, to_json
from loamline.edges.store.lock import StoreError

_MOST_BYTES = 2**32
_TABLE_ROWS = 32_768


class BorrowedConnection:
    """A view of the daemon's store. Raises StoreError where the daemon took it back or has left."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._frames = Frames(connection, _MOST_BYTES)

    def execute(self, sql: str, params: Any = None) -> BorrowedRows:
        """Run a statement that reads; fetch its rows before the next one is run."""
        return BorrowedRows(self, self.ask({"do": "rows", "sql": sql, "params": to_json(params)}))

    def sql(self, query: str, *, params: Any = None) -> BorrowedRelation:
        """Return what is to be asked: it is run when its rows are fetched."""
        return BorrowedRelation(self, query, params)

    def register(self, name: str, table: pa.Table) -> None:
        """Let statements name a table of this process."""
        self.ask({"do": "register", "name": name}, as_stream(table.schema, *table.to_batches()))

    def unregister(self, name: str) -> None:
        """Forget a table that was registered."""
        self.ask({"do": "unregister", "name": name})

    def close(self) -> None:
        """Give the view back."""
        self._connection.close()

    def ask(self, head: dict[str, Any], body: pa.Buffer | None = None) -> tuple[dict[str, Any], pa.Buffer]:
        """Return the answer to one frame. Raises what DuckDB raised, or StoreError."""
        answer = None
        try:
            with suppress(BrokenPipeError):  # why it left is still to be read
                self._frames.send(head, body)
            answer = self._frames.receive()
        except (OSError, FrameError):
            pass  # what follows is all that is known
        if answer is None:
            raise StoreError("expected an answer from the daemon, but it left before; its log says why. Run this again")
        told = answer[0]
        if "taken_back" in told:
            raise StoreError(f"the daemon took its store back: {told['taken_back']}")
        if "error" in told:
            kind = getattr(duckdb, told["error"], duckdb.Error)
            raise kind(told["message"])
        return answer


class BorrowedRows:
    """The rows of a statement that was run."""

    def __init__(self, con: BorrowedConnection, first: tuple[dict[str, Any], pa.Buffer]) -> None:
        self._con, self._next = con, first[0]

    def fetchall(self) -> list[tuple[Any, ...]]:
        """Return all rows, with the values that DuckDB gives."""
        found: list[tuple[Any, ...]] = []
        while True:
            found += [tuple(from_json(value) for value in row) for row in self._next["rows"]]
            if not self._next["more"]:
                self._next = {"rows": [], "more": False}
                return found
            self._next, _ = self._con.ask({"do": "more"})


class BorrowedRelation:
    """A query that is run when its rows are fetched."""

    def __init__(self, con: BorrowedConnection, query: str, params: Any) -> None:
        self._con, self._query, self._params = con, query, params

    def fetchall(self) -> list[tuple[Any, ...]]:
        """Return all rows, with the values that DuckDB gives."""
        return self._con.execute(self._query, self._params).fetchall()

    def to_arrow_table(self) -> pa.Table:
        """Return all rows."""
        return self.to_arrow_reader(_TABLE_ROWS).read_all()

    def to_arrow_reader(self, batch_size: int) -> pa.RecordBatchReader:
        """Return the rows as a stream; until it is read to its end, nothing else can be asked."""
        asked = {"do": "arrow", "sql": self._query, "params": to_json(self._params), "rows": batch_size}
        _, body = self._con.ask(asked)
        return pa.RecordBatchReader.from_batches(of_stream(body).schema, self._batches())

    def _batches(self) -> Iterator[pa.RecordBatch]:
        while True:
            told, body = self._con.ask({"do": "more"})
            if not told["more"]:
                return
            yield from of_stream(body).to_batches()
