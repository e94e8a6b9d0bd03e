"""`/fleet`: how each probe does now: last heard, supply, radio, losses, verdicts, and what needs attention."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import Field

from loamline.edges.api.asking import OfFleet, PageQuery
from loamline.edges.api.document import listing
from loamline.edges.api.parameters import SiteName
from loamline.edges.api.probes import check_known
from loamline.edges.store.api_fleet import HEALTH, health_page
from loamline.edges.store.api_pages import After, Page, schema_of
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet import Period

router = APIRouter(tags=["fleet"])
_SCHEMA = schema_of(HEALTH)


class FleetQuery(PageQuery):
    """Of which probes."""

    site: SiteName = None
    days: Annotated[float, Field(ge=0.01, le=366, description="counts, losses and margin are of so many days")] = 7.0
    needs_attention: Annotated[bool, Field(description="only probes that need attention")] = False


@router.get("/fleet", summary="Health of the probes, by dev_eui", **listing(_SCHEMA))
def fleet(asked: OfFleet, query: Annotated[FleetQuery, Query()]) -> Response:
    """Each probe that is placed now at a site that the key may see; of a customer's, since it stands there."""
    period = Period.of(None, asked.service.now(), query.days)

    def read(store: Store, after: After | None, limit: int) -> Page:
        check_known(store, asked.customer, None, query.site)
        begin = None if after is None else str(after[0])
        return health_page(store, asked.customer, period, query.site, begin, limit, needy=query.needs_attention)

    return asked.page(query, (str,), read)
