"""What a page is asked for, and what it answers with: plain data for a template."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from loamline.edges.api.auth import Caller
from loamline.edges.pages.overview import Overviews
from loamline.edges.store.connection import Store
from loamline_codecs import CodecSet
from loamline_schemas.key_tables import Scope

#: How far back a page can look, in days, as links offer it.
SPANS = (7, 30, 90, 365)
#: Rows of a list that one page shows.
ROWS_A_PAGE = 100

_Row = TypeVar("_Row")


class PageError(Exception):
    """A page that can't be shown: status, heading, and a sentence that says what to do."""

    def __init__(self, status: int, heading: str, sentence: str) -> None:
        super().__init__(sentence)
        self.status, self.heading, self.sentence = status, heading, sentence


@dataclass(frozen=True)
class Page:
    """A template's name, the title, and what the template tells."""

    template: str
    title: str
    told: Mapping[str, Any]


@dataclass(frozen=True)
class Excerpt:
    """What one page of a long list shows: which page of how many, from 1, of how many rows in all.

    `name` is what the address calls the page's number.
    """

    number: int
    pages: int
    total: int
    size: int
    name: str

    @property
    def start(self) -> int:
        """Number of its first row, from 0."""
        return (self.number - 1) * self.size

    def of(self, rows: Sequence[_Row]) -> Sequence[_Row]:
        """Return its rows out of all."""
        return rows[self.start : self.start + self.size]


@dataclass(frozen=True)
class Asked:
    """One request: whose it is, the store as it stands now, and what stands in the address."""

    caller: Caller
    store: Store
    codecs: CodecSet
    now: datetime
    path: Mapping[str, str]
    query: Mapping[str, str]
    overviews: Overviews
    clock: Callable[[], datetime]

    @property
    def customer(self) -> str | None:
        """Whose probes alone may be seen; None: everybody's."""
        return self.caller.customer

    def may(self, scope: Scope) -> bool:
        """Return whether the key opens this."""
        return scope in self.caller.scopes or Scope.OPERATOR in self.caller.scopes

    def days(self, usual: int) -> int:
        """Return how many days back to look: `days` of the address, 1 to 366."""
        return min(max(self.whole("days", usual), 1), 366)

    def whole(self, name: str, usual: int) -> int:
        """Return a whole number of the address, or the usual one. Raises PageError (404) where it is none."""
        text = self.query.get(name, "")
        if not text:
            return usual
        if not (text.isascii() and text.isdigit() and len(text) < 10):
            raise PageError(
                404, "No such page", f"Expected a whole number for {name} in the address; follow a link in place of it."
            )
        return int(text)

    def excerpt(self, total: int, size: int = ROWS_A_PAGE, name: str = "page") -> Excerpt:
        """Return which rows of a list of `total` are asked for; the nearest there are. Raises PageError (404)."""
        pages = max(1, -(-total // size))
        return Excerpt(min(max(self.whole(name, 1), 1), pages), pages, total, size, name)

    def instant(self, name: str) -> datetime | None:
        """Return an RFC 3339 instant of the address, None where it has none. Raises PageError (404)."""
        text = self.query.get(name)
        if not text:
            return None
        try:
            at = datetime.fromisoformat(text)
            return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC)
        except (ValueError, OverflowError):
            raise PageError(
                404, "No such instant", f"Expected a time such as 2026-05-01T10:00:00Z for {name} in the address."
            ) from None

    def span(self, usual: int, newest: datetime | None) -> tuple[datetime, datetime, int]:
        """Return since, until and days: so many days before now, or before the newest figure where that is older."""
        days = self.days(usual)
        until = self.now if newest is None else min(self.now, newest + timedelta(seconds=1))
        return until - timedelta(days=days), until, days


def missing(what: str, name: str, where: str) -> PageError:
    """Return the error for something that is not there, or not for this key: both are told alike."""
    return PageError(404, f"No such {what}", f"There is no {what} “{name[:80]}” among those that you may see. {where}")
