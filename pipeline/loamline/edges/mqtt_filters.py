"""Which topic filters a session was given, in a file beside the store.

A session that outlives the daemon keeps its subscriptions, also those that were removed from the settings since, and
MQTT has no way to ask for them. A lost file costs no message: filters removed before that stay subscribed.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Iterable
from pathlib import Path


class KnownFilters:
    """Topic filters by the name of a way in. Safe in several threads; a file that can't be read is no error."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._known: dict[str, list[str]] = {}
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
            if path is not None:
                told = json.loads(path.read_text(encoding="utf-8"))
                self._known = {str(name): [str(topic) for topic in topics] for name, topics in told.items()}

    def of(self, name: str) -> set[str]:
        """Return the filters that the session of a way in may hold."""
        with self._lock:
            return set(self._known.get(name, ()))

    def remember(self, name: str, filters: Iterable[str]) -> None:
        """Note, durably, all that a session may hold from now on. Raises OSError."""
        with self._lock:
            told = sorted(set(filters))
            if self._known.get(name) == told:
                return
            self._known[name] = told
            if self._path is None:
                return
            fresh = self._path.with_name(self._path.name + ".new")
            with fresh.open("w", encoding="utf-8") as file:
                json.dump(self._known, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self._path)


def filters_path(store: Path) -> Path:
    """Return where the filters of the daemon with this store stand."""
    return store.with_name(store.name + ".subscriptions")
