"""Readings in a notebook: `loamline.open` and what it gives.

A store at rest is read from its file, a running daemon by its address; both answer the same questions in the same form.
"""

from __future__ import annotations

from pathlib import Path

from loamline.app.notebook.local import LocalStore
from loamline.app.notebook.remote import RemoteStore
from loamline.app.notebook.rows import NotebookError, Readings, Rows
from loamline.app.notebook.store import NotebookStore

__all__ = ["LocalStore", "NotebookError", "NotebookStore", "Readings", "RemoteStore", "Rows", "open_source"]


def open_source(path_or_url: str | Path, key: str | None) -> NotebookStore:
    """Return the store in a file, or the one behind a daemon's address; see `loamline.open`."""
    text = str(path_or_url)
    if text.startswith(("http://", "https://")):
        return RemoteStore(text, key)
    if key is not None:
        raise NotebookError(f"expected no key for a file, got one beside {text}; a key is for a daemon's http address")
    return LocalStore(Path(path_or_url))
