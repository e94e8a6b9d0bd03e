"""`/quality`: how many readings got which verdict, by site or by probe."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from pydantic import Field

from loamline.edges.api.asking import OfReadings
from loamline.edges.api.document import listing
from loamline.edges.api.parameters import ProbeName, SiteName, SpanQuery
from loamline.edges.api.probes import check_known
from loamline.edges.store.api_fleet import QUALITY, quality_of
from loamline.edges.store.api_pages import After, Page, page_of, schema_of
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.connection import Store

router = APIRouter(tags=["readings"])
DAYS = 7.0


class QualityQuery(SpanQuery):
    """Of what, and by what; without a span of the last 7 days."""

    probe: ProbeName = None
    site: SiteName = None
    by: Annotated[Literal["site", "probe"], Field(description="a row a site, or a row a probe at a site")] = "site"


@router.get("/quality", summary="Verdict counts, by site or probe", **listing(schema_of(QUALITY)))
def quality(asked: OfReadings, query: Annotated[QualityQuery, Query()]) -> Response:
    """How many readings of a span passed, and how many did not."""
    since, until = query.span(asked.service.now(), DAYS)
    wanted = Wanted(asked.customer, query.probe, query.site, since=since, until=until)

    def read(store: Store, after: After | None, limit: int) -> Page:
        check_known(store, asked.customer, query.probe, query.site)
        told, within = quality_of(store, wanted, by_probe=query.by == "probe")
        return page_of(store, told, within, after=after, limit=limit)

    return asked.page(query, (str, str), read)
