"""The read API as a FastAPI application: routes, errors, gzip, and the document with a page that shows it."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, FastAPI, Response
from fastapi.responses import HTMLResponse
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send
from structlog.typing import FilteringBoundLogger

from loamline.edges.api import curves, fleet, gateways, probes, quality, readings, revisions, sites
from loamline.edges.api.asking import Service
from loamline.edges.api.docs_page import POLICY, docs_page
from loamline.edges.api.document import PREFIX, install_document
from loamline.edges.api.problems import tell_problems
from loamline.edges.api.rate_limit import RateLimit
from loamline.edges.store.reading_api import StoreReader

#: Rows repeat so much that a higher level costs several times the time for some percent of the size.
_GZIP_FROM_BYTES, _GZIP_LEVEL = 1_000, 3


@dataclass(frozen=True)
class Limits:
    """How often a key, and an address without a good one, may ask."""

    requests_per_minute: float = 600.0
    burst: int = 60
    strangers_per_minute: float = 60.0


class HeadAsGet:
    """Answers HEAD as GET; the server leaves the body out, as it knows what was asked."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand a request on."""
        if scope["type"] == "http" and scope["method"] == "HEAD":
            scope = {**scope, "method": "GET"}
        await self._app(scope, receive, send)


def make_api(
    reader: StoreReader,
    *,
    limits: Limits | None = None,
    log: FilteringBoundLogger | None = None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    clock_s: Callable[[], float] = time.monotonic,
) -> FastAPI:
    """Return the application, all of it under /api/v1; it reads through `reader` and writes nothing."""
    bounds = limits or Limits()
    app = FastAPI(
        title="loamline read API", version="1", docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False
    )
    app.state.service = Service(
        reader,
        RateLimit(per_minute=bounds.requests_per_minute, burst=bounds.burst, clock_s=clock_s),
        RateLimit(per_minute=bounds.strangers_per_minute, burst=bounds.burst, clock_s=clock_s),
        now,
    )
    tell_problems(app, log)
    routes = APIRouter(prefix=PREFIX)
    for module in (sites, probes, readings, quality, fleet, gateways, revisions, curves):
        routes.include_router(module.router)
    app.include_router(routes)
    _show_document(app)
    install_document(app)
    app.add_middleware(GZipMiddleware, minimum_size=_GZIP_FROM_BYTES, compresslevel=_GZIP_LEVEL)
    app.add_middleware(HeadAsGet)
    return app


def _show_document(app: FastAPI) -> None:
    @app.get(f"{PREFIX}/openapi.json", include_in_schema=False)
    def document() -> Response:
        return Response(json.dumps(app.openapi()), media_type="application/json")

    @app.get(f"{PREFIX}/docs", include_in_schema=False)
    def docs() -> Response:
        headers = {"content-security-policy": POLICY, "x-content-type-options": "nosniff"}
        told: dict[str, Any] = app.openapi()
        return HTMLResponse(docs_page(told), headers=headers)
