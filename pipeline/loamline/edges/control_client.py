"""The asking side of the control socket: what a command says to the running daemon, and what it hears."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any, Self

from loamline.edges.control import ControlError

_CONNECT_S = 5.0


class ControlClient:
    """A connection to the daemon that has a store open."""

    def __init__(self, path: Path) -> None:
        """Connect. Raises OSError where nobody listens at `path`."""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(_CONNECT_S)
            self._socket.connect(str(path))
        except OSError:
            self._socket.close()
            raise
        self._socket.settimeout(None)

    def ask(self, request: str, **fields: Any) -> Generator[dict[str, Any], None, Any]:
        """Yield what is told of progress, then return the result. Raises ControlError with the daemon's sentence."""
        line = json.dumps({"request": request, **fields}, default=str).encode() + b"\n"
        try:
            self._socket.sendall(line)
            with self._socket.makefile("rb") as replies:
                for reply in replies:
                    told = json.loads(reply)
                    if "progress" in told:
                        yield told["progress"]
                    elif "error" in told:
                        raise ControlError(told["error"])
                    else:
                        return told["result"]
        except (OSError, ValueError):
            pass  # what follows is all that is known
        raise ControlError(
            "expected an answer from the daemon, but it left before; its log says why. What it had begun of a revision "
            "goes on when it starts again"
        )

    def answer(
        self, request: str, progress: Callable[[dict[str, Any]], None] = lambda _told: None, **fields: Any
    ) -> Any:
        """Return the result of a request; `progress` is called with what is told by the way. Raises ControlError."""
        asked = self.ask(request, **fields)
        while True:
            try:
                progress(next(asked))
            except StopIteration as end:
                return end.value

    def borrowed(self, request: str, **fields: Any) -> tuple[Any, socket.socket]:
        """Return the result of a request, and the connection, over which others go on. Raises ControlError."""
        return self.answer(request, **fields), self._socket

    def close(self) -> None:
        """Hang up. What was asked for goes on all the same."""
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
