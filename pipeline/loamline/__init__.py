"""loamline: from a buried probe's radio message to a soil-moisture figure that can be trusted.

`core` is the chain of pure functions, `edges` the I/O round it, `app` the wiring and the commands. In a notebook:

    import loamline
    store = loamline.open("soil.duckdb")
    store.readings(site="North field", since="2026-05-01", resolution="hourly").pandas()
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from loamline.app.notebook.store import NotebookStore

__all__ = ["open"]


def open(path_or_url: str | Path, *, key: str | None = None) -> NotebookStore:  # noqa: A001 - read as loamline.open
    """Return a store to read from: a DuckDB file that no daemon has open, or the http address of a daemon.

    `key` is the one that `loamline key` made, for an address. Raises loamline.app.notebook.NotebookError, whose message
    says what was expected, what came and what to do next.
    """
    # Everything is imported here, so that `import loamline` itself stays quick.
    from loamline.app.notebook import open_source  # noqa: PLC0415

    return open_source(path_or_url, key)
