"""The store lent to commands beside the daemon: a thread a command, which answers what is asked of a view to read.

`borrowed.py` is the other side. A command asks one thing at a time and fetches its rows piece by piece, so that neither
side holds more than a piece. What a view sees has to be kept for it, and blocks that were freed are not used again
meanwhile: so few are lent at once, and each is taken back from a command that has it for long or lets it lie.
"""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import duckdb
import pyarrow as pa

from loamline.edges.frames import FrameError, Frames, as_stream, of_stream
from loamline.edges.plain_values import from_json, to_json
from loamline.edges.right_of_way import give_way
from loamline.edges.store.connection import Store

AT_ONCE = 2
IDLE_S, LONGEST_S = 120.0, 900.0
LARGEST_QUESTION_BYTES = 64 * 1024 * 1024
_ROWS_A_PIECE = 1000
#: So long a command that hears nothing may take to leave, before it is hung up on; and then for its thread.
_POLITE_S, _LEAVING_S = 1.0, 3.0
_LOOK_S = 0.02
#: Head and body of a frame.
Answer = tuple[dict[str, Any], pa.Buffer | None]


class LendingError(Exception):
    """A view can't be lent now; the message says what was expected, what came and what to do."""


class Lender:
    """Lends views of a store; all but the threads of the loans belongs to the thread that has it open.

    `ended` is called, by the thread of a loan, with the reason why a view was taken back, None where it was given back.
    """

    def __init__(
        self,
        ended: Callable[[str | None], object] = lambda _reason: None,
        *,
        at_once: int = AT_ONCE,
        idle_s: float = IDLE_S,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._ended, self._at_once, self._idle_s, self._longest_s = ended, at_once, idle_s, longest_s
        self._loans: set[Loan] = set()
        self._changed = threading.Condition()

    def lend(self, store: Store) -> Loan:
        """Return a view of `store` as it stands, to be handed to a command by `Loan.begin`. Raises LendingError."""
        self.look_after()
        with self._changed:
            if len(self._loans) >= self._at_once:
                raise LendingError(
                    f"expected fewer than {self._at_once} commands that read beside the daemon, got as many; "
                    "try again when one of them is through"
                )
            loan = Loan(store.as_it_stands(read_only=True), self._idle_s, self._longest_s, self._give_back)
            self._loans.add(loan)
        return loan

    @property
    def lent(self) -> int:
        """How many commands have a view now."""
        return len(self._loans)

    def look_after(self) -> None:
        """Take views back whose time is over or whose command is gone; call it often."""
        with self._changed:
            for loan in [*self._loans]:
                loan.end_if_due()

    def closed(self, reason: str) -> None:
        """Take all views back and return when nobody has one, or after 3 s: before the store is closed."""
        began = time.monotonic()
        with self._changed:
            while self._loans and time.monotonic() - began < _LEAVING_S:
                for loan in [*self._loans]:
                    loan.end(reason, politely=time.monotonic() - began < _POLITE_S)
                self._changed.wait(_LOOK_S)

    def _give_back(self, loan: Loan, reason: str | None) -> None:
        with self._changed:
            self._loans.discard(loan)
            self._changed.notify_all()
        self._ended(reason)


class Loan:
    """One view and, once `begin` was called, the connection to the command that has it."""

    def __init__(
        self, view: Store, idle_s: float, longest_s: float, given_back: Callable[[Loan, str | None], None]
    ) -> None:
        self._view, self._idle_s, self._longest_s, self._given_back = view, idle_s, longest_s, given_back
        self._until_s = time.monotonic() + longest_s
        self._lock = threading.Lock()
        self._connection: socket.socket | None = None
        self._reason: str | None = None
        self._over = False

    def begin(self, connection: socket.socket | None) -> None:
        """Answer what is asked over `connection`, by a thread of its own; None: the command is gone already."""
        with self._lock:
            if self._over:
                if connection is not None:
                    connection.close()
                return
            if connection is not None:
                connection.settimeout(self._idle_s)
                self._connection = connection
                threading.Thread(target=self._serve, args=[connection], name="lent view", daemon=True).start()
                return
        self._finish()

    def end_if_due(self) -> None:
        """End it where its time is over or nobody is there any more."""
        if time.monotonic() > self._until_s:
            minutes = self._longest_s / 60
            self.end(
                f"expected the command to be through within {minutes:g} minutes, since what it sees has to be kept "
                "for it, got more; ask for less (a span, a site), or run it on a backup"
            )
        elif self._gone():
            self.end(None)

    def end(self, reason: str | None, *, politely: bool = True) -> None:
        """Have the thread tell the reason and leave; call it again until it has."""
        with self._lock:
            self._reason = self._reason or reason
            connection, over = self._connection, self._over
            if not over:
                # Again and again: an interrupt between two statements ends neither.
                self._view.con.interrupt()
            if connection is not None and not over:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RD if politely else socket.SHUT_RDWR)
        if connection is None and not over:
            self._finish()

    def _gone(self) -> bool:
        with self._lock:
            if self._connection is None or self._over:
                return False
            looked = select.poll()
            looked.register(self._connection, select.POLLHUP)
            return any(event & select.POLLHUP for _, event in looked.poll(0))

    # The loan's thread ----------------------------------------------------------------------------------------

    def _serve(self, connection: socket.socket) -> None:
        frames = Frames(connection, LARGEST_QUESTION_BYTES)
        answers = _Answers(self._view.con)
        try:
            while (asked := frames.receive()) is not None and self._reason is None:
                answer = answers.answer(*asked)
                if self._reason is not None:
                    break
                frames.send(*answer)
        except TimeoutError:
            self._reason = self._reason or (
                f"expected the next question within {self._idle_s:g} s, since what the command sees has to be kept for "
                "it, got none; run it again"
            )
        except FrameError as problem:
            self._reason = str(problem)
        except OSError:
            pass  # it is gone
        finally:
            if self._reason is not None:
                with suppress(OSError):
                    connection.settimeout(_POLITE_S)
                    frames.send({"taken_back": self._reason})
            self._finish()

    def _finish(self) -> None:
        with self._lock:
            if self._over:
                return
            self._over = True
            with suppress(duckdb.Error):
                self._view.con.close()
            if self._connection is not None:
                self._connection.close()
        self._given_back(self, self._reason)


class _Answers:
    """Answers questions on a connection that can only read; of the last one, further pieces."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self._pieces: Callable[[], Answer] | None = None

    def answer(self, head: dict[str, Any], body: pa.Buffer) -> Answer:
        """Return the head and the body of an answer; what DuckDB raises is told by its class and message."""
        if head.get("do") != "more":
            self._pieces = None
        give_way()
        try:
            return self._answer(head, body)
        except duckdb.Error as problem:
            told = {"error": type(problem).__name__, "message": str(problem)}
        except Exception as problem:  # noqa: BLE001 - whatever is asked, the daemon goes on
            told = {"error": "Error", "message": f"{type(problem).__name__}: {problem}"}
        self._pieces = None
        return told, None

    def _answer(self, head: dict[str, Any], body: pa.Buffer) -> Answer:
        match head.get("do"):
            case "register":
                self._con.register(head["name"], of_stream(body))
                return {}, None
            case "unregister":
                self._con.unregister(head["name"])
                return {}, None
            case "arrow":
                self._check(head["sql"])
                reader = self._con.sql(head["sql"], params=from_json(head["params"])).to_arrow_reader(head["rows"])
                self._pieces = lambda: _batch(reader)
                return {"more": True}, as_stream(reader.schema)
            case "rows":
                self._check(head["sql"])
                self._con.execute(head["sql"], from_json(head["params"]))
                self._pieces = self._rows
        if self._pieces is None:
            return {"error": "InvalidInputException", "message": "expected a question before its rows"}, None
        return self._pieces()

    def _check(self, sql: str) -> None:
        kinds = [statement.type for statement in self._con.extract_statements(sql)]
        if kinds != [duckdb.StatementType.SELECT]:
            got = ", ".join(kind.name for kind in kinds) or "nothing"
            raise duckdb.InvalidInputException(f"expected one statement that only reads, got {got}")

    def _rows(self) -> Answer:
        rows = self._con.fetchmany(_ROWS_A_PIECE)
        return {"rows": [[to_json(value) for value in row] for row in rows], "more": len(rows) == _ROWS_A_PIECE}, None


def _batch(reader: pa.RecordBatchReader) -> Answer:
    try:
        batch = reader.read_next_batch()
    except StopIteration:
        return {"more": False}, None
    return {"more": True}, as_stream(reader.schema, batch)
