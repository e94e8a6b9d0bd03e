"""Query parameters that several resources take."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated

from pydantic import Field

from loamline.edges.api.asking import PageQuery
from loamline.edges.problem_details import HttpError
from loamline_schemas.uplink import DevEui, Instant

ProbeName = Annotated[
    DevEui | None, Field(description="EUI-64 of a probe, 16 hex digits", examples=["02BB000000000001"])
]
SiteName = Annotated[str | None, Field(max_length=128, description="name of a site", examples=["North field"])]
Since = Annotated[
    Instant | None, Field(description="from this instant on, RFC 3339", examples=["2026-05-01T00:00:00Z"])
]
Until = Annotated[Instant | None, Field(description="before this instant, RFC 3339", examples=["2026-06-01T00:00:00Z"])]


class SpanQuery(PageQuery):
    """A span of time, [since, until)."""

    since: Since = None
    until: Until = None

    def span(self, now: datetime, days: float) -> tuple[datetime, datetime]:
        """Return the span that is meant: without `until` up to now, without `since` so many days before that."""
        until = self.until or now
        try:
            since = self.since or until - timedelta(days=days)
        except OverflowError:
            raise HttpError(422, "an instant after the year 1", str(until), "query parameter until") from None
        return since, until
