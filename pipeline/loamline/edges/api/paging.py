"""Cursors: where the next page begins, as text that only we read, and the Link header that leads there (RFC 8288)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlencode

from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_pages import After

#: More than the longest keys take.
MOST_CURSOR = 2_000


def cursor_of(after: After, question: Mapping[str, Any]) -> str:
    """Return the cursor of a page that begins after `after`, for the same question alone."""
    text = json.dumps([_mark(question), *after], ensure_ascii=False, separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def after_of(cursor: str | None, question: Mapping[str, Any], kinds: tuple[type, ...]) -> After | None:
    """Return where a page begins; `kinds` are the keys' types. Raises HttpError (422)."""
    if cursor is None:
        return None
    try:
        told = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
    except (ValueError, binascii.Error, RecursionError):
        told = None
    if not isinstance(told, list) or [type(value) for value in told] != [str, *kinds]:
        raise _wrong("something else")
    mark, *after = told
    if mark != _mark(question):
        raise _wrong("one of another question; ask with the same parameters throughout")
    if any(isinstance(value, int) and not -(2**63) <= value < 2**63 for value in after):
        raise _wrong("something else")
    return tuple(after)


def link_header(path: str, query: Mapping[str, str], cursor: str | None) -> str:
    """Return the Link header of a page: to the first page and, where there is one, to the next."""
    told = {name: value for name, value in query.items() if name != "cursor"}
    links = [f'<{_target(path, told)}>; rel="first"']
    if cursor is not None:
        links.append(f'<{_target(path, {**told, "cursor": cursor})}>; rel="next"')
    return ", ".join(links)


def _target(path: str, query: Mapping[str, str]) -> str:
    return quote(path) + ("?" + urlencode(query) if query else "")


def _mark(question: Mapping[str, Any]) -> str:
    told = json.dumps(question, sort_keys=True, default=str)
    return hashlib.sha256(told.encode()).hexdigest()[:12]


def _wrong(got: str) -> HttpError:
    return HttpError(422, "the cursor of the page before", got, "query parameter cursor")
