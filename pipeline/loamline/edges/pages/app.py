"""The pages as an application to be mounted beside the API: routes, sign-in, and what every answer carries.

Nothing here writes to the store. Each request has a view of its own, in a thread of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route
from structlog.typing import FilteringBoundLogger

from loamline.edges.api.problems import RETRY_AFTER_S
from loamline.edges.api.rate_limit import RateLimit
from loamline.edges.pages import (
    aside_page,
    fleet_page,
    gateway_pages,
    layout_pages,
    probe_page,
    reading_page,
    revision_pages,
    site_page,
)
from loamline.edges.pages.access import ANYBODY_HERE, COOKIE, Sessions
from loamline.edges.pages.asked import Asked, Page, PageError
from loamline.edges.pages.assets import ASSETS, asset
from loamline.edges.pages.download import RowsRead, Writing, answer_with, read_rows
from loamline.edges.pages.guard import Guard
from loamline.edges.pages.overview import Overviews
from loamline.edges.pages.render import render
from loamline.edges.pages.sign_in import SignIn
from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_keys import find_key
from loamline.edges.store.reading_api import NotNowError, StoreReader, TooLongError
from loamline_codecs import CodecSet


def _about(_asked: Asked) -> Page:
    return Page("about.html.jinja", "Cautions and words", {})


_Shows = Callable[[Asked], Page | RowsRead]
#: Path, and who answers; names in braces are for `Asked.path`.
PAGES: tuple[tuple[str, _Shows], ...] = (
    ("/", fleet_page.show),
    ("/sites/{site:path}", site_page.show),
    ("/probes/{dev_eui}", probe_page.show),
    ("/probes/{dev_eui}/reading", reading_page.show),
    ("/gateways", gateway_pages.show_all),
    ("/gateways/{gateway:path}", gateway_pages.show),
    ("/revisions", revision_pages.show_all),
    ("/revisions/{number}", revision_pages.show),
    ("/set-aside", aside_page.show),
    ("/layouts", layout_pages.show_all),
    ("/layouts/{name}", layout_pages.show),
    ("/about", _about),
    ("/download", read_rows),
)


def make_pages(
    reader: StoreReader,
    sessions: Sessions,
    *,
    codecs: CodecSet,
    open_pages: bool = False,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    clock_s: Callable[[], float] | None = None,
    log: FilteringBoundLogger | None = None,
) -> Starlette:
    """Return the pages as an application.

    `open_pages`: no key is asked for, and only requests that name this machine itself are answered. `clock` tells the
    time that silence is measured from (a demo's own), `clock_s` the seconds for the limit on sign-ins.
    """
    teller = _Teller(reader, sessions, codecs, clock, open_pages=open_pages, log=log)
    limit = RateLimit(per_minute=12, burst=6, clock_s=clock_s or (lambda: datetime.now(UTC).timestamp()))
    sign_in = SignIn(reader, sessions, clock, limit, teller.page)
    routes: list[BaseRoute] = [Route(path, teller.shows(show), methods=["GET"]) for path, show in PAGES]
    routes += [Route("/static/{name}", asset, methods=["GET"])]
    if not open_pages:
        routes += [
            Route("/sign-in", sign_in.form, methods=["GET"]),
            Route("/sign-in", sign_in.begin, methods=["POST"]),
            Route("/sign-out", sign_in.end, methods=["POST"]),
        ]
    made = Starlette(routes=routes, exception_handlers={HTTPException: teller.unrouted, Exception: teller.defect})
    made.add_middleware(GZipMiddleware, minimum_size=2_000, compresslevel=5)
    made.add_middleware(Guard, open_pages=open_pages)
    return made


class _Teller:
    """Answers requests for pages; errors are pages, too."""

    def __init__(
        self,
        reader: StoreReader,
        sessions: Sessions,
        codecs: CodecSet,
        clock: Callable[[], datetime],
        *,
        open_pages: bool,
        log: FilteringBoundLogger | None,
    ) -> None:
        self._reader, self._sessions, self._codecs, self._clock = reader, sessions, codecs, clock
        self._open, self._log = open_pages, log
        self._overviews = Overviews(reader)
        self._writing = Writing()

    def shows(self, show: _Shows) -> Callable[[Request], Any]:
        """Return the endpoint of a page."""

        async def endpoint(request: Request) -> Response:
            return await run_in_threadpool(self._answer, request, show)

        return endpoint

    def _answer(self, request: Request, show: _Shows) -> Response:
        try:
            # Writing a page out takes as long as reading for it.
            with self._reader.turn():
                shown = self._shown(request, show)
            # A file takes much longer to write, and nothing of the store.
            return shown if isinstance(shown, Response) else self._written(shown)
        except PageError as error:
            return self._error(request, error.status, error.heading, error.sentence)
        except HttpError as error:
            return self._error(request, error.status, "Not for this key", f"{str(error).capitalize()}.")
        except NotNowError as error:
            return self._not_now(request, "The store is away, or busy", f"{error}. Try again in a moment.")
        except TooLongError as error:
            return self._not_now(request, "That took too long", f"{error}. Ask for a shorter span.")

    def _written(self, found: RowsRead) -> Response:
        with found.rows, self._writing.turn():
            return answer_with(found)

    def _shown(self, request: Request, show: _Shows) -> Response | RowsRead:
        with self._reader.view(beside_s=self._reader.time_limit_s) as store:
            now = self._clock()
            word = request.cookies.get(COOKIE)
            caller = (
                ANYBODY_HERE if self._open else self._sessions.caller(word, lambda key_id: find_key(store, key_id), now)
            )
            if caller is None and show is not _about:
                return RedirectResponse(f"{request.scope.get('root_path', '')}/sign-in", 303)
            asked = Asked(
                caller or ANYBODY_HERE,
                store,
                self._codecs,
                now,
                request.path_params,
                dict(request.query_params),
                self._overviews,
                self._clock,
            )
            page = show(asked)
        if isinstance(page, RowsRead):
            return page
        return self.page(request, page.template, page.title, {**page.told, "caller": caller, "now": now})

    def _not_now(self, request: Request, heading: str, sentence: str) -> Response:
        answer = self._error(request, 503, heading, sentence[:1].upper() + sentence[1:])
        answer.headers["retry-after"] = str(RETRY_AFTER_S)
        return answer

    def page(self, request: Request, template: str, title: str, told: Mapping[str, Any], status: int = 200) -> Response:
        """Return a template as an answer."""
        base = {
            "root": request.scope.get("root_path", ""),
            "title": title,
            "here": request.scope["path"].removeprefix(request.scope.get("root_path", "")),
            "open_pages": self._open,
            "caller": None,
            "now": self._clock(),
            "assets": ASSETS,
        }
        return HTMLResponse(render(template, {**base, **told}), status)

    def _error(self, request: Request, status: int, heading: str, sentence: str) -> Response:
        told = {"heading": heading, "sentence": sentence, "status": status}
        return self.page(request, "error.html.jinja", heading, told, status)

    async def unrouted(self, request: Request, error: Exception) -> Response:
        """Answer what no route does."""
        status = error.status_code if isinstance(error, HTTPException) else 500
        heading = {404: "No such page", 405: "Not like this"}.get(status, "Not so")
        return self._error(request, status, heading, "Nothing stands at this address. The first page leads everywhere.")

    async def defect(self, request: Request, error: Exception) -> Response:
        """Answer what nobody foresaw."""
        if self._log is not None:
            self._log.error("defect in the pages, please report this", reason=repr(error), path=request.url.path)
        sentence = "This is a defect of ours, and the log says more. The figures in the store are not touched by it."
        return self._error(request, 500, "Something broke here", sentence)
