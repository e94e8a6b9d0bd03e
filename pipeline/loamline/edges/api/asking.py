"""One request: whose it is, what it may see, and the answer with cursor, Link, ETag and media type."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

import pyarrow as pa
from fastapi import Depends, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from loamline.edges.api.auth import Caller, caller_of
from loamline.edges.api.content import ARROW, CSV, JSON, TABLES, chosen, encoded
from loamline.edges.api.paging import MOST_CURSOR, after_of, cursor_of, link_header
from loamline.edges.api.rate_limit import RateLimit
from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_keys import find_key
from loamline.edges.store.api_pages import After, Page
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline_schemas.key_tables import Scope

DEFAULT_ROWS, MOST_ROWS = 1_000, 10_000


class NoQuery(BaseModel):
    """No parameters."""

    model_config = ConfigDict(extra="forbid")


class PageQuery(NoQuery):
    """What every listing takes."""

    limit: Annotated[int, Field(ge=1, le=MOST_ROWS, description="rows a page")] = DEFAULT_ROWS
    cursor: Annotated[
        str | None, Field(max_length=MOST_CURSOR, description="`next` of the page before; all else as there")
    ] = None

    def question(self) -> dict[str, Any]:
        """Return what a cursor belongs to: everything but the page."""
        return self.model_dump(mode="json", exclude={"limit", "cursor"})


@dataclass(frozen=True)
class Service:
    """What every request needs: the store's reader, the limits, the clock."""

    reader: StoreReader
    requests: RateLimit
    strangers: RateLimit
    now: Callable[[], datetime]


#: Reads one page: of a view of the store, after so far, up to so many rows.
ReadPage = Callable[[Store, After | None, int], Page]


@dataclass(frozen=True)
class Asked:
    """A request of somebody who may ask."""

    request: Request
    caller: Caller
    service: Service

    @property
    def customer(self) -> str | None:
        """Whose probes are to be seen; None: everybody's."""
        return self.caller.customer

    def page(
        self, query: PageQuery, kinds: tuple[type, ...], read: ReadPage, offered: tuple[str, ...] = TABLES
    ) -> Response:
        """Answer with one page of a listing, whose keys are of `kinds`."""
        kind = chosen(self.request.headers.get("accept"), offered)
        question = {"path": self.request.url.path, **query.question()}
        after = after_of(query.cursor, question, kinds)
        reader = self.service.reader
        with reader.turn():
            with reader.view(beside_s=reader.time_limit_s) as store:
                told = read(store, after, query.limit)
            cursor = None if told.after is None else cursor_of(told.after, question)
            link = link_header(self.request.url.path, self.request.query_params, cursor)
            return self._answer(told.rows, kind, {"link": link}, cursor=cursor)

    def one(self, read: Callable[[Store], pa.Table], what: str) -> Response:
        """Answer with the one row that there is; one that is not there and one that is not theirs are told alike."""
        kind = chosen(self.request.headers.get("accept"), TABLES)
        with self.service.reader.view() as store:
            rows = read(store)
        if not rows.num_rows:
            raise unknown(what)
        return self._answer(rows, kind, {}, single=True)

    def _answer(self, rows: pa.Table, kind: str, more: Mapping[str, str], **about: Any) -> Response:
        body = encoded(rows, kind, **about)
        # What lies under a null in Arrow's buffers is anything, and differs from time to time.
        told = encoded(rows, JSON, **about) if kind == ARROW else body
        digest = hashlib.blake2b(kind.encode() + b"\0" + more.get("link", "").encode() + b"\0", digest_size=18)
        digest.update(told)  # some megabytes, joined with nothing
        # Weak, since the same may travel compressed or not.
        etag = f'W/"{base64.urlsafe_b64encode(digest.digest()).decode()}"'
        headers = {"etag": etag, "cache-control": "private, no-cache", "vary": "Accept, Authorization", **more}
        known = [told.strip().removeprefix("W/") for told in self.request.headers.get("if-none-match", "").split(",")]
        if "*" in known or etag.removeprefix("W/") in known:
            return Response(status_code=304, headers=headers)
        content_type = f"{CSV}; charset=utf-8; header=present" if kind == CSV else kind
        return Response(body, headers={**headers, "content-type": content_type})


def unknown(what: str) -> HttpError:
    """Return the problem of something that is not there, or not theirs."""
    return HttpError(404, f"{what} that this key may see", "another")


def _needs(scope: Scope) -> Callable[[Request], Asked]:
    def asked(request: Request) -> Asked:
        service: Service = request.app.state.service
        # One look-up by a key waits for nobody.
        with service.reader.view(beside_s=service.reader.time_limit_s) as store:
            try:
                caller = caller_of(request.headers.get("authorization"), lambda key_id: find_key(store, key_id))
            except HttpError:
                service.strangers.take(request.client.host if request.client else "")
                raise
        service.requests.take(caller.key_id)
        caller.check(scope)
        return Asked(request, caller, service)

    return asked


#: A request with a key that opens readings, or the fleet.
OfReadings = Annotated[Asked, Depends(_needs(Scope.READINGS))]
OfFleet = Annotated[Asked, Depends(_needs(Scope.FLEET))]
#: The parameters of a listing without any of its own, and of a single thing.
Paged = Annotated[PageQuery, Query()]
Plain = Annotated[NoQuery, Query()]
