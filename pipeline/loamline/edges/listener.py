"""A listening socket, bound before the server behind it begins: callers wait instead of being refused."""

from __future__ import annotations

import socket


def bound(host: str, port: int) -> socket.socket:
    """Return a socket that listens at `host` and `port`, 0 for any free one. Raises OSError."""
    family, kind, protocol, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    listener = socket.socket(family, kind, protocol)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen()
    except OSError:
        listener.close()
        raise
    return listener
