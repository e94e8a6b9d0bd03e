"""`/sites`: places with probes, and the verdicts of their readings."""

from __future__ import annotations

from fastapi import APIRouter, Response

from loamline.edges.api.asking import OfReadings, Paged, Plain
from loamline.edges.api.document import listing, single
from loamline.edges.store.api_pages import Term, page_of
from loamline.edges.store.api_registry import SITES, own_sites

router = APIRouter(tags=["places"])


@router.get("/sites", summary="Sites, by name", **listing(SITES.schema))
def sites(asked: OfReadings, query: Paged) -> Response:
    """Every site of the registry in force that the key may see."""
    own = own_sites(asked.customer)
    return asked.page(query, (str,), lambda store, after, limit: page_of(store, SITES, own, after=after, limit=limit))


@router.get("/sites/{site:path}", summary="One site", **single(SITES.schema))
def site(asked: OfReadings, site: str, _query: Plain) -> Response:
    """The site of this name."""
    wanted = [Term("site = $site", {"site": site})]
    own = own_sites(asked.customer)
    return asked.one(lambda store: page_of(store, SITES, own, wanted, limit=1).rows, "a site")
