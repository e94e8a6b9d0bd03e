"""`/curves`: calibration functions, with the digest by which a reading's provenance names them."""

from __future__ import annotations

from fastapi import APIRouter, Response

from loamline.edges.api.asking import OfReadings, Paged, unknown
from loamline.edges.api.document import listing
from loamline.edges.store.api_pages import After, Page, Term, page_of
from loamline.edges.store.api_registry import CURVES, own_curves
from loamline.edges.store.connection import Store

router = APIRouter(tags=["calibration"])


@router.get("/curves", summary="Curves, by id", **listing(CURVES.schema))
def curves(asked: OfReadings, query: Paged) -> Response:
    """The curves in force; a customer's key sees those that made a figure at its sites."""
    own = own_curves(asked.customer)
    return asked.page(
        query, (str, str), lambda store, after, limit: page_of(store, CURVES, own, after=after, limit=limit)
    )


@router.get("/curves/{curve_id:path}", summary="The versions of one curve", **listing(CURVES.schema))
def curve(asked: OfReadings, curve_id: str, query: Paged) -> Response:
    """Every curve in force of this id: one a date from which it holds."""
    own, wanted = own_curves(asked.customer), [Term("id = $id", {"id": curve_id})]

    def read(store: Store, after: After | None, limit: int) -> Page:
        page = page_of(store, CURVES, own, wanted, after=after, limit=limit)
        if not page.rows.num_rows and after is None:
            raise unknown("a curve")
        return page

    return asked.page(query, (str, str), read)
