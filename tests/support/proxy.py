"""A TCP proxy on a loopback port that can go deaf: the connection stands, and nothing passes any more."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Proxy:
    """Passes bytes between whoever connects and `to`. While `deaf` is set, what the far side sends is thrown away."""

    def __init__(self, to: tuple[str, int]) -> None:
        self._to = to
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = "127.0.0.1", int(self._listener.getsockname()[1])
        self.deaf = threading.Event()
        self.connections = 0
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """Let go of everything."""
        for one in (self._listener, *self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                far = socket.create_connection(self._to)
                self.connections += 1
                self._open += [near, far]
                threading.Thread(target=self._pass, args=(near, far, False), daemon=True).start()
                threading.Thread(target=self._pass, args=(far, near, True), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket, inward: bool) -> None:
        with contextlib.suppress(OSError):
            while content := one.recv(65_536):
                if not (inward and self.deaf.is_set()):
                    other.sendall(content)
        with contextlib.suppress(OSError):
            other.shutdown(socket.SHUT_RDWR)


@contextmanager
def a_proxy(to: tuple[str, int]) -> Iterator[Proxy]:
    """Yield a proxy that passes."""
    made = Proxy(to)
    try:
        yield made
    finally:
        made.close()
