"""Telling a service manager how the daemon is: sd_notify(3), datagrams of `NAME=value` lines to NOTIFY_SOCKET."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


def notify(told: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Tell it; return whether there was anybody to tell. A manager that does not listen is no error."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to:
        to.settimeout(1.0)
        to.sendto(told.encode(), "\0" + address[1:] if address[0] == "@" else address)  # "@": no file, unix(7)
        return True
    return False


def watchdog_s(environment: Mapping[str, str] = os.environ) -> float | None:
    """Return within how many seconds the manager wants a sign of life; None where it wants none of this process."""
    meant_for = environment.get("WATCHDOG_PID", "")
    if meant_for and meant_for != str(os.getpid()):
        return None
    try:
        told_s = int(environment.get("WATCHDOG_USEC", "")) / 1e6
    except ValueError:
        return None
    return told_s if told_s > 0 else None
