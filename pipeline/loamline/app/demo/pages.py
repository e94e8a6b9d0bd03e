"""The demo's pages: served on this machine alone while the simulated fleet lives, by the simulated clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime

from loamline.edges.api import ApiError, Serving, serve_in_thread
from loamline.edges.pages import Sessions, make_pages
from loamline.edges.store.reading_api import StoreReader
from loamline_codecs import builtin_codecs


@contextmanager
def serving_pages(reader: StoreReader, clock: Callable[[], datetime], *ports: int) -> Iterator[str]:
    """Serve the pages on the first of these ports that is free (0: any), and yield their address. Raises ApiError."""
    served = _served(reader, clock, ports)
    try:
        yield f"{served.url}/"
    finally:
        served.stop()


def _served(reader: StoreReader, clock: Callable[[], datetime], ports: tuple[int, ...]) -> Serving:
    pages = make_pages(reader, Sessions(), codecs=builtin_codecs(), open_pages=True, clock=clock)
    first, *others = ports
    try:
        return serve_in_thread(pages, port=first)
    except ApiError:
        if not others:
            raise
        return serve_in_thread(pages, port=others[0])
