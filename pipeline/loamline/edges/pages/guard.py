"""What every answer of the pages carries, and which requests are not answered at all.

The policy on content allows what this server itself serves. Styles may stand in the page, too: the chart library sets
its sizes by style attributes and by a style element that it makes, and the drawings of layouts bring their own.
Scripts may not: there is none in any page.
"""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_POLICY = (
    "default-src 'self'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "geolocation=(), camera=(), microphone=()",
}
_LOOPBACK = ("127.0.0.1", "localhost", "[::1]", "::1")


class Guard:
    """Middleware: the headers, and, where no key is asked for, only requests that name this machine.

    Without that, a page from elsewhere could have its own name lead here (DNS rebinding) and read along.
    """

    def __init__(self, app: ASGIApp, *, open_pages: bool) -> None:
        self._app, self._open = app, open_pages

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope["method"], headers)
        if refused is not None:
            await PlainTextResponse(refused, 403, headers=_HEADERS)(scope, receive, send)
            return

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start":
                sent = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    sent[name] = value
                sent.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, receive, told)

    def _refused(self, method: str, headers: Headers) -> str | None:
        host = headers.get("host", "")
        bare, colon, port = host.rpartition(":")
        name = bare if colon and port.isdigit() else host
        if self._open and name not in _LOOPBACK:
            return "expected a request to this machine by its own name, such as 127.0.0.1, got another"
        origin = headers.get("origin")
        if method == "POST" and (origin is None or origin.partition("://")[2] != host):
            return "expected a form of these pages, got one from elsewhere"
        return None
