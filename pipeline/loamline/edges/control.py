"""The control socket: a Unix domain socket beside the store, over which commands have the running daemon work for them.

A request is one line of JSON, `{"request": NAME, ...}`; so is each reply: any number of `{"progress": {...}}`, then
either `{"result": ...}` or `{"error": SENTENCE}`. One thread here accepts, reads and sends, and does nothing else:
requests are queued for the thread that has the store open. Replies wait in memory for clients that are slow, and
clients that take nothing for a while are dropped, so that nobody can hold the daemon up.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import queue
import selectors
import socket
import stat
import threading
import time
from pathlib import Path
from typing import Any

from structlog.typing import FilteringBoundLogger

from loamline.edges.control_caller import READ_BYTES, Caller

__all__ = ["Caller", "ControlError", "ControlServer", "socket_path"]

#: Bytes of `sun_path` on Linux (unix(7)), the closing NUL among them.
LONGEST_PATH_BYTES = 107
LARGEST_REQUEST_BYTES = 64 * 1024 * 1024
#: Clients beyond these are hung up on.
MOST_CLIENTS = 16
#: A client that takes nothing of a waiting reply for so long is dropped.
PATIENCE_S = 10.0


class ControlError(Exception):
    """A request that came to nothing; the message says what was expected, what came and what to do."""


def socket_path(store: Path) -> Path:
    """Return where the daemon that has `store` open listens."""
    return store.with_name(store.name + ".socket")


class ControlServer:
    """Listens beside a store whose lock this process holds; `next_request` belongs to the thread that answers."""

    def __init__(
        self,
        path: Path,
        log: FilteringBoundLogger,
        *,
        largest_request_bytes: int = LARGEST_REQUEST_BYTES,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._path, self._log = path, log
        self._largest_request_bytes, self._patience_s = largest_request_bytes, patience_s
        self._requests: queue.SimpleQueue[tuple[Caller, dict[str, Any]]] = queue.SimpleQueue()
        self._closing = False
        self._thread: threading.Thread | None = None
        self._callers: dict[Any, Caller] = {}
        self._inode = 0

    def start(self) -> None:
        """Begin to listen. Raises ControlError with a sentence where there can be no socket."""
        length = len(os.fsencode(self._path))
        if length > LONGEST_PATH_BYTES:
            raise ControlError(
                f"expected a path of at most {LONGEST_PATH_BYTES} bytes for the control socket, got {length}: "
                f"{self._path}; commands can't reach this daemon unless the store's path is shorter"
            )
        try:
            listener = self._bind()
        except OSError as problem:
            raise ControlError(
                f"expected to make the control socket {self._path}, got {problem.strerror}; "
                "commands can't reach this daemon"
            ) from problem
        self._woken, self._waker = socket.socketpair()
        for ours in (self._woken, self._waker, listener):
            ours.setblocking(False)  # noqa: FBT003 - as the standard library has it
        self._thread = threading.Thread(target=self._serve, args=[listener], name="control", daemon=True)
        self._thread.start()

    def _bind(self) -> socket.socket:
        # It gets its name when it listens, or a command that comes in between would be refused. The other name is as
        # long; whoever holds the store's lock is the only daemon, and what lies there is left from a killed one.
        unheard = self._path.with_name(self._path.name[:-1] + "~")
        for path in (self._path, unheard):
            with contextlib.suppress(FileNotFoundError):
                if not stat.S_ISSOCK(path.lstat().st_mode):
                    raise FileExistsError(errno.EEXIST, "a file that is no socket", str(path))
                path.unlink()
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o177)
        try:
            listener.bind(str(unheard))
            listener.listen(MOST_CLIENTS)
            unheard.rename(self._path)
        except OSError:
            listener.close()
            raise
        finally:
            os.umask(before)
        self._inode = self._path.lstat().st_ino
        return listener

    def next_request(self) -> tuple[Caller, dict[str, Any]] | None:
        """Return the oldest request that waits, with whom to answer; None for none."""
        with contextlib.suppress(queue.Empty):
            return self._requests.get_nowait()
        return None

    def _wake(self) -> None:
        """Have the control thread look for replies to send."""
        with contextlib.suppress(OSError):
            self._waker.send(b".")

    def close(self) -> None:
        """Send what replies are left, as far as clients take them at once, and remove the socket."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._closing = True
        self._wake()
        thread.join(timeout=2)
        with contextlib.suppress(FileNotFoundError):
            if self._path.lstat().st_ino == self._inode:
                self._path.unlink()

    # The control thread ----------------------------------------------------------------------------------

    def _serve(self, listener: socket.socket) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(listener, selectors.EVENT_READ)
            selector.register(self._woken, selectors.EVENT_READ)
            while not self._closing:
                for key, events in selector.select(min(1.0, self._patience_s)):
                    if key.fileobj is listener:
                        self._accept(selector, listener)
                    elif key.fileobj is self._woken:
                        with contextlib.suppress(OSError):
                            self._woken.recv(READ_BYTES)
                    else:
                        self._attend(selector, self._callers[key.fileobj], events)
                for caller in list(self._callers.values()):
                    if caller.waited_s > self._patience_s:
                        self._log.warning("dropped a command that takes no replies")
                        self._drop(selector, caller)
                    elif caller.leaves:
                        self._forget(selector, caller)
                        caller.give()
                    else:
                        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if caller.waits else 0)
                        selector.modify(caller.connection, wanted)
            for caller in list(self._callers.values()):
                with contextlib.suppress(OSError):
                    while caller.waits:
                        caller.send()
                self._drop(selector, caller)
        for ours in (listener, self._woken, self._waker):
            ours.close()

    def _attend(self, selector: selectors.BaseSelector, caller: Caller, events: int) -> None:
        try:
            if events & selectors.EVENT_WRITE:
                caller.send()
            alive = not events & selectors.EVENT_READ or self._receive(caller)
        except BlockingIOError:
            alive = True
        except OSError:
            alive = False
        if not alive:
            self._drop(selector, caller)

    def _accept(self, selector: selectors.BaseSelector, listener: socket.socket) -> None:
        try:
            connection, _ = listener.accept()
        except OSError:
            time.sleep(0.1)  # no descriptor is left, perhaps; the connection goes on waiting
            return
        if len(self._callers) >= MOST_CLIENTS:
            connection.close()
            return
        connection.setblocking(False)  # noqa: FBT003 - as the standard library has it
        self._callers[connection] = Caller(connection, self._wake)
        selector.register(connection, selectors.EVENT_READ)

    def _receive(self, caller: Caller) -> bool:
        """Take what came; return whether the client may say more."""
        content = caller.connection.recv(READ_BYTES)
        if not content:
            return False
        caller.read += content
        while b"\n" in content:
            line, _, rest = bytes(caller.read).partition(b"\n")
            caller.read[:] = content = rest
            self._queue(caller, line)
        if len(caller.read) > self._largest_request_bytes:
            caller.read.clear()
            most = self._largest_request_bytes
            caller.refuse(f"expected a request of at most {most} bytes, got more; stop the daemon for this one")
        return True

    def _queue(self, caller: Caller, line: bytes) -> None:
        try:
            told = json.loads(line)
        except (ValueError, RecursionError):
            told = None
        if caller.asked:
            caller.refuse("expected one request at a time, got another before the answer; connect once more for it")
        elif isinstance(told, dict) and isinstance(told.get("request"), str):
            caller.asked = True
            self._requests.put((caller, told))
        else:
            caller.refuse(f'expected a line of JSON such as {{"request": "status"}}, got {line[:60]!r}')

    def _drop(self, selector: selectors.BaseSelector, caller: Caller) -> None:
        self._forget(selector, caller)
        caller.leave()

    def _forget(self, selector: selectors.BaseSelector, caller: Caller) -> None:
        self._callers.pop(caller.connection, None)
        with contextlib.suppress(KeyError, ValueError):
            selector.unregister(caller.connection)
