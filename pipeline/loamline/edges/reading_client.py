"""Readings over HTTP, from the daemon's read API: a small client with the wire's names in one place.

The key goes in `Authorization: Bearer`, to the address that was given and to no other: redirects are not followed, and
neither is a next page that lies elsewhere.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator, Mapping
from http.client import HTTPException
from time import sleep
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import urlencode, urljoin, urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

import pyarrow as pa
import pyarrow.ipc

BASE = "/api/v1/"
READINGS, SITES, PROBES, PLACEMENTS = "readings", "sites", "probes", "placements"
#: Rows a page, a parameter of every collection; as many as the API gives.
LIMIT, MOST_ROWS = "limit", 10_000
#: Parameters of READINGS.
PROBE, SITE, DEPTH, SINCE, UNTIL, RESOLUTION, UNIT = (
    "probe",
    "site",
    "depth_index",
    "since",
    "until",
    "resolution",
    "unit",
)
_ARROW = "application/vnd.apache.arrow.stream"
_ACCEPT = f"{_ARROW}, application/json;q=0.5"
#: Under which name a JSON document holds its rows.
_ROWS = "rows"
_TIMEOUT_S = 60
#: How often a question is put again that came too soon, and how long the API may ask to wait for that.
_AGAIN, _LONGEST_WAIT_S = 20, 60
#: Of an answer that is no problem document, so much is told.
_TOLD = 200


class ReadingClientError(Exception):
    """An answer that can't be used, or none; the message says what was expected, what came and what to do."""


class _NoRedirect(HTTPRedirectHandler):
    """Takes a redirect for an error: the key must not go to another address."""

    def redirect_request(self, *args: Any, **more: Any) -> None:
        """Follow nothing."""


class ReadingClient:
    """Asks one daemon with one key. `url` is where it listens, with or without `/api/v1`."""

    def __init__(self, url: str, key: str | None) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ReadingClientError(f"expected a URL such as http://localhost:8460, got {url!r}")
        path = parts.path.rstrip("/").removesuffix(BASE.rstrip("/"))
        self.url = f"{parts.scheme}://{parts.netloc}{path}"
        self._key = key
        self._opener = build_opener(_NoRedirect)

    def table(self, name: str, parameters: Mapping[str, Any] | None = None) -> pa.Table:
        """Return all pages of one collection as a table; parameters that are None are left out."""
        told = {key: str(value) for key, value in (parameters or {}).items() if value is not None}
        pages = list(self._pages(f"{self.url}{BASE}{name}?{urlencode({**told, LIMIT: MOST_ROWS})}", name))
        return pa.concat_tables(pages, promote_options="default")

    def _pages(self, url: str, name: str) -> Iterator[pa.Table]:
        seen: set[str] = set()
        following: str | None = url
        while following is not None:
            if following in seen:
                raise ReadingClientError(f"expected another page after {following}, got the same one again")
            seen.add(following)
            content, kind, link = self._get(following)
            yield _table(content, kind, name, following)
            following = self._next(following, link)

    def _get(self, url: str) -> tuple[bytes, str, str]:
        """Return body, media type and Link header; asks again where the API says when."""
        for _ in range(_AGAIN):
            try:
                return self._get_once(url)
            except HTTPError as problem:
                wait = problem.headers.get("Retry-After", "")
                if problem.code not in (429, 503) or not wait.isdecimal() or int(wait) > _LONGEST_WAIT_S:
                    raise ReadingClientError(_refusal(url, problem)) from None
                problem.close()
                sleep(int(wait))
        raise ReadingClientError(f"expected an answer from {url}, got {_AGAIN} times that it was too soon; try later")

    def _get_once(self, url: str) -> tuple[bytes, str, str]:
        headers = {"Accept": _ACCEPT, "Accept-Encoding": "gzip"}
        if self._key is not None:
            headers["Authorization"] = f"Bearer {self._key}"
        try:
            with self._opener.open(Request(url, headers=headers), timeout=_TIMEOUT_S) as answer:  # noqa: S310 - http(s) only, see __init__
                body = answer.read()
                if answer.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                return body, answer.headers.get_content_type(), ", ".join(answer.headers.get_all("Link") or ())
        except HTTPError:
            raise
        except (URLError, OSError, EOFError, HTTPException) as problem:
            reason = getattr(problem, "reason", problem)
            raise ReadingClientError(
                f"expected the daemon's read API at {self.url}, got: {reason}; see that it runs, and the port"
            ) from None

    def _next(self, url: str, link: str) -> str | None:
        """Return the page that the Link header (RFC 8288) names as next; None where there is none."""
        for part in link.split(","):
            target, _, parameters = part.strip().partition(">")
            if target.startswith("<") and 'rel="next"' in parameters.replace(" ", "").replace("rel=next", 'rel="next"'):
                following = urljoin(url, target[1:])
                if urlsplit(following)[:2] != urlsplit(url)[:2]:
                    raise ReadingClientError(f"expected the next page at {self.url}, got {following}: not asked there")
                return following
        return None


def _table(content: bytes, kind: str, name: str, url: str) -> pa.Table:
    try:
        if kind == _ARROW:
            return pyarrow.ipc.open_stream(content).read_all()
        if kind.endswith("json"):
            told = json.loads(content)
            return pa.Table.from_pylist(told[_ROWS])
    except (pa.ArrowInvalid, ValueError, TypeError, KeyError, AttributeError) as problem:
        raise ReadingClientError(f"expected {name} from {url}, got {kind} that can't be read: {problem}") from problem
    raise ReadingClientError(f"expected {name} as Arrow or JSON from {url}, got {kind}; is it the daemon's read API?")


def _refusal(url: str, problem: HTTPError) -> str:
    """Return an error's words: those of its problem document (RFC 9457) where it has one."""
    content = problem.read()
    try:
        told = json.loads(content)
        words = str(told.get("detail") or told["title"])
    except (ValueError, KeyError, AttributeError):
        words = content[:_TOLD].decode(errors="replace") or problem.reason
    advice = "; give the key that `loamline key` made: key=..." if problem.code in (401, 403) else ""
    return f"expected an answer from {url}, got {problem.code}: {words}{advice}"
