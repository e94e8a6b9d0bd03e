"""`/gateways`: which gateways heard probes, how many uplinks, how well."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from loamline.edges.api.asking import OfFleet
from loamline.edges.api.document import listing, single
from loamline.edges.api.parameters import SpanQuery
from loamline.edges.store.api_fleet import GATEWAYS, gateways_of
from loamline.edges.store.api_pages import After, Page, Term, page_of, schema_of
from loamline.edges.store.connection import Store

router = APIRouter(tags=["fleet"])
DAYS = 7.0


@router.get("/gateways", summary="Gateways, by identifier", **listing(schema_of(GATEWAYS)))
def gateways(asked: OfFleet, query: Annotated[SpanQuery, Query()]) -> Response:
    """Gateways that heard a probe that the key may see, in a span: the last 7 days without one."""
    since, until = query.span(asked.service.now(), DAYS)

    def read(store: Store, after: After | None, limit: int) -> Page:
        told, within = gateways_of(store, asked.customer, since, until)
        return page_of(store, told, within, after=after, limit=limit)

    return asked.page(query, (str,), read)


@router.get("/gateways/{gateway:path}", summary="One gateway", **single(schema_of(GATEWAYS)))
def gateway(asked: OfFleet, gateway: str, query: Annotated[SpanQuery, Query()]) -> Response:
    """What one gateway heard in a span."""
    since, until = query.span(asked.service.now(), DAYS)
    wanted = [Term("gateway = $gateway", {"gateway": gateway})]

    def read(store: Store) -> Page:
        told, within = gateways_of(store, asked.customer, since, until)
        return page_of(store, told, within, wanted, limit=1)

    return asked.one(lambda store: read(store).rows, "a gateway")
