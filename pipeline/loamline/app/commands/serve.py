"""`loamline serve`: the read API of a store that no daemon has open."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.opening import open_store
from loamline.app.output import CommandError, errors
from loamline.edges.api import ApiError, make_api, serve_in_thread
from loamline.edges.store.reading_api import StoreReader


def serve(
    store: Annotated[Path, typer.Option(help="the DuckDB file; no daemon may have it open")],
    host: Annotated[str, typer.Option(help="address to listen on; loopback unless told otherwise")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="port to listen on; 0 takes a free one", min=0, max=65_535)] = 8460,
) -> None:
    """Serve the read API of a store at rest, until Ctrl-C; nothing is written.

    Its document is at /api/v1/openapi.json, a page of it at /api/v1/docs. `loamline key create` makes the keys.

    Example: loamline serve --store soil.duckdb --port 8460
    """
    stop = threading.Event()
    with open_store(store, writable=False) as opened:
        reader = StoreReader(opened)
        try:
            serving = serve_in_thread(make_api(reader), host, port)
        except ApiError as problem:
            raise CommandError(str(problem)) from problem
        before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            typer.echo(f"{serving.url}/api/v1")
            errors.print("Ctrl-C ends it", markup=False)
            stop.wait()
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
            reader.closed()
            serving.stop()
