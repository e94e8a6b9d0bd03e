"""`/revisions`: recalculations of stored readings, each with its reason."""

from __future__ import annotations

from fastapi import APIRouter, Response

from loamline.edges.api.asking import OfReadings, Paged, Plain
from loamline.edges.api.document import listing, single
from loamline.edges.store.api_pages import Term, page_of
from loamline.edges.store.api_registry import REVISIONS, revisions_of

router = APIRouter(tags=["calibration"])


@router.get("/revisions", summary="Revisions, the oldest first", **listing(REVISIONS.schema))
def revisions(asked: OfReadings, query: Paged) -> Response:
    """Revisions; a customer's key sees published ones that cover readings at its sites, with their reason."""
    told, own = revisions_of(asked.customer)
    return asked.page(query, (int,), lambda store, after, limit: page_of(store, told, own, after=after, limit=limit))


@router.get("/revisions/{revision_id}", summary="One revision", **single(REVISIONS.schema))
def revision(asked: OfReadings, revision_id: int, _query: Plain) -> Response:
    """The revision of this number."""
    told, own = revisions_of(asked.customer)
    wanted = [Term("revision_id = $number", {"number": min(max(revision_id, -1), 2**31 - 1)})]
    return asked.one(lambda store: page_of(store, told, own, wanted, limit=1).rows, "a revision")
