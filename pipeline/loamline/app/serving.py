"""The read API and the pages, served from an open store: by the daemon, by `loamline serve`, by the demo."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from starlette.types import ASGIApp, Receive, Scope, Send
from structlog.typing import FilteringBoundLogger

from loamline.edges.api import Serving, make_api, serve_in_thread
from loamline.edges.pages import Sessions, make_pages
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline_codecs import CodecSet


class Lending:
    """A tender of the daemon's loop that lends its open store to whoever reads."""

    def __init__(self) -> None:
        self.reader = StoreReader()
        self._lent: Store | None = None

    def turn(self, store: Store) -> None:
        """Lend the store, where it is another than before."""
        if store is not self._lent:
            self._lent = store
            self.reader.opened(store)

    def let_go(self) -> None:
        """Lend no more, and return when nobody reads."""
        if self._lent is not None:
            self._lent = None
            self.reader.closed()

    def leave(self, store: Store | None) -> None:  # noqa: ARG002 - as a tender is called
        """Lend no more."""
        self.let_go()


@contextmanager
def serving(
    reader: StoreReader,
    codecs: CodecSet,
    host: str,
    port: int,
    *,
    pages: bool = True,
    log: FilteringBoundLogger | None = None,
) -> Iterator[Serving]:
    """Serve the API, and the pages beside it, until the body ends. Raises ApiError."""
    api = make_api(reader, log=log)
    told = _both(api, make_pages(reader, Sessions(), codecs=codecs, log=log)) if pages else api
    served = serve_in_thread(told, host, port, log=log)
    try:
        yield served
    finally:
        served.stop()


def _both(api: ASGIApp, pages: ASGIApp) -> ASGIApp:
    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await (api if scope.get("path", "").startswith("/api/") else pages)(scope, receive, send)

    return app
