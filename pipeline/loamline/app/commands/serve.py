"""`loamline serve`: the read API and the pages of a store that no daemon has open."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.opening import open_store
from loamline.app.output import CommandError, errors
from loamline.edges.api import ApiError
from loamline.edges.store.reading_api import StoreReader


def serve(
    store: Annotated[Path, typer.Option(help="the DuckDB file; no daemon may have it open")],
    host: Annotated[str, typer.Option(help="address to listen on; loopback unless told otherwise")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="port to listen on; 0 takes a free one", min=0, max=65_535)] = 8460,
    pages: Annotated[bool, typer.Option(help="serve the pages beside the API")] = True,
    codec_dir: CodecDirOption = None,
) -> None:
    """Serve the read API and the pages of a store at rest, until Ctrl-C; nothing is written.

    Its document is at /api/v1/openapi.json, a page of it at /api/v1/docs. `loamline key create` makes the keys.

    Example: loamline serve --store soil.duckdb --port 8460
    """
    # Loading these takes long, and every command would wait for it.
    from loamline.app.serving import serving  # noqa: PLC0415

    stop = threading.Event()
    with open_store(store, lent=False) as opened:
        reader = StoreReader(opened)
        before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            with serving(reader, known_codecs(codec_dir), host, port, pages=pages) as served:
                typer.echo(f"{served.url}/api/v1")
                if pages:
                    typer.echo(f"{served.url}/")
                errors.print("Ctrl-C ends it", markup=False)
                stop.wait()
                reader.closed()
        except ApiError as problem:
            raise CommandError(str(problem)) from problem
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
