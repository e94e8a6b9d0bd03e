"""Signing in with a key, and out again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from loamline.edges.api.rate_limit import RateLimit
from loamline.edges.pages.access import COOKIE, LIFETIME, Sessions
from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_keys import find_key
from loamline.edges.store.reading_api import NotNowError, StoreReader, TooLongError

#: A form holds one key; more bytes than this are no form of ours.
_MOST_BYTES = 4_096
_WRONG = "That key opens nothing: it is mistyped, or was revoked. Whoever runs this store makes keys with loamline key."


class SignIn:
    """The three endpoints; `page` renders a template as an answer."""

    def __init__(
        self,
        reader: StoreReader,
        sessions: Sessions,
        clock: Callable[[], datetime],
        limit: RateLimit,
        page: Callable[..., Response],
    ) -> None:
        self._reader, self._sessions, self._clock, self._limit, self._page = reader, sessions, clock, limit, page

    async def form(self, request: Request) -> Response:
        """Show the form."""
        return self._told(request, None, 200)

    async def begin(self, request: Request) -> Response:
        """Take a key; with one that is in use, set the cookie and go to the first page."""
        try:
            self._limit.take(request.client.host if request.client else "")
        except HttpError:
            return self._told(request, "Too many attempts from your address. Wait a minute, then try again.", 429)
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > _MOST_BYTES:
                return self._told(request, _WRONG, 401)
        key = parse_qs(body.decode("latin-1"), max_num_fields=10).get("key", [""])[0]
        try:
            word = await run_in_threadpool(self._session, key)
        except HttpError:
            return self._told(request, _WRONG, 401)
        except (NotNowError, TooLongError):
            return self._told(request, "The store is away at the moment. Try again.", 503)
        answer = RedirectResponse(f"{_root(request)}/", 303)
        answer.set_cookie(
            COOKIE,
            word,
            max_age=int(LIFETIME.total_seconds()),
            path=f"{_root(request)}/",
            httponly=True,
            samesite="strict",
            secure=request.url.scheme == "https",
        )
        return answer

    async def end(self, request: Request) -> Response:
        """End the session, and forget the cookie."""
        self._sessions.end(request.cookies.get(COOKIE))
        answer = RedirectResponse(f"{_root(request)}/sign-in", 303)
        answer.delete_cookie(COOKIE, path=f"{_root(request)}/", httponly=True, samesite="strict")
        return answer

    def _session(self, key: str) -> str:
        with self._reader.view() as store:
            return self._sessions.begin(key, lambda key_id: find_key(store, key_id), self._clock())

    def _told(self, request: Request, wrong: str | None, status: int) -> Response:
        told: dict[str, Any] = {"wrong": wrong}
        return self._page(request, "sign_in.html.jinja", "Sign in", told, status)


def _root(request: Request) -> str:
    return str(request.scope.get("root_path", ""))
