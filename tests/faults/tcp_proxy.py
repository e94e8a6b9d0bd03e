"""A TCP proxy that delays, hands on in crumbs, cuts in the middle of a packet, and closes one direction only."""

from __future__ import annotations

import contextlib
import random
import socket
import threading
import time


class TcpProxy:
    """Listens on a loopback port and hands on to `target_port`; `cuts` counts what it did to connections."""

    def __init__(self, target_port: int, seed: int, *, longest_delay_s: float = 0.0, crumbs: bool = False) -> None:
        self._target, self._rng = target_port, random.Random(seed)
        self._longest_delay_s, self._crumbs = longest_delay_s, crumbs
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = "127.0.0.1", int(self._listener.getsockname()[1])
        self._lock = threading.Lock()
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self.connections = self.cuts = 0
        self._cut_after: int | None = None
        threading.Thread(target=self._accept, name="proxy", daemon=True).start()

    def cut(self, after_bytes: int = 0) -> None:
        """Hang up on both sides, at once or after so many more bytes in either direction: within a packet, mostly."""
        if after_bytes:
            self._cut_after = after_bytes
            return
        with self._lock:
            pairs, self._pairs = self._pairs, []
        for pair in pairs:
            self.cuts += 1
            for side in pair:
                _hang_up(side)

    def close_half(self) -> None:
        """End what goes to the client; what comes from it is still handed on."""
        with self._lock:
            pairs = list(self._pairs)
        for client, _ in pairs:
            self.cuts += 1
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_WR)

    def close(self) -> None:
        """Leave."""
        self._listener.close()
        self.cut()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
                server = socket.create_connection(("127.0.0.1", self._target), timeout=5)
                server.settimeout(None)
            except OSError:
                if self._listener.fileno() < 0:
                    return
                with contextlib.suppress(UnboundLocalError):
                    client.close()
                continue
            self.connections += 1
            with self._lock:
                self._pairs.append((client, server))
            for source, sink in ((client, server), (server, client)):
                threading.Thread(target=self._hand_on, args=(source, sink), daemon=True).start()

    def _hand_on(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while some := source.recv(16_384):
                if self._longest_delay_s:
                    time.sleep(self._rng.uniform(0, self._longest_delay_s))
                left = self._cut_after
                if left is not None:
                    self._cut_after = left - len(some)
                    if left <= len(some):
                        sink.sendall(some[:left])
                        self._cut_after = None
                        self.cut()
                        return
                if self._crumbs and len(some) > 1:
                    at = self._rng.randrange(1, len(some))
                    sink.sendall(some[:at])
                    sink.sendall(some[at:])
                else:
                    sink.sendall(some)
        _hang_up(sink)


def _hang_up(side: socket.socket) -> None:
    with contextlib.suppress(OSError):
        side.shutdown(socket.SHUT_RDWR)
    side.close()
