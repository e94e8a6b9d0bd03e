"""`/probes` and `/placements`: the probes themselves, and where each depth of them sat from when to when."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from loamline.edges.api.asking import OfReadings, Paged, PageQuery, Plain, unknown
from loamline.edges.api.document import listing, single
from loamline.edges.api.parameters import ProbeName, SiteName
from loamline.edges.store.api_pages import After, Page, Term, page_of
from loamline.edges.store.api_readings import known
from loamline.edges.store.api_registry import PLACEMENTS, PROBES, own_placements, own_probes
from loamline.edges.store.connection import Store

router = APIRouter(tags=["probes"])


class PlacementQuery(PageQuery):
    """Which placements."""

    probe: ProbeName = None
    site: SiteName = None


@router.get("/probes", summary="Probes, by dev_eui", **listing(PROBES.schema))
def probes(asked: OfReadings, query: Paged) -> Response:
    """Every probe that is, was or will be placed at a site that the key may see."""
    own = own_probes(asked.customer)
    return asked.page(query, (str,), lambda store, after, limit: page_of(store, PROBES, own, after=after, limit=limit))


@router.get("/probes/{dev_eui}", summary="One probe", **single(PROBES.schema))
def probe(asked: OfReadings, dev_eui: str, _query: Plain) -> Response:
    """The probe of this EUI-64."""
    wanted = [Term("dev_eui = $dev_eui", {"dev_eui": dev_eui.upper()})]
    own = own_probes(asked.customer)
    return asked.one(lambda store: page_of(store, PROBES, own, wanted, limit=1).rows, "a probe")


@router.get("/placements", summary="Placements, by probe, depth and time", **listing(PLACEMENTS.schema))
def placements(asked: OfReadings, query: Annotated[PlacementQuery, Query()]) -> Response:
    """Where each depth sat, in which soil, from when to when; at sites that the key may see."""
    own = own_placements(asked.customer)
    wanted = [
        Term(f"{column} = ${column}", {column: value})
        for column, value in (("dev_eui", query.probe), ("site", query.site))
        if value is not None
    ]

    def read(store: Store, after: After | None, limit: int) -> Page:
        check_known(store, asked.customer, query.probe, query.site)
        return page_of(store, PLACEMENTS, own, wanted, after=after, limit=limit)

    return asked.page(query, (str, int, int), read)


def check_known(store: Store, customer: str | None, probe: str | None, site: str | None) -> None:
    """Raise HttpError (404) where a probe or site is not there, or not theirs."""
    if probe is not None and not known(store, customer, dev_eui=probe):
        raise unknown("a probe")
    if site is not None and not known(store, customer, site=site):
        raise unknown("a site")
