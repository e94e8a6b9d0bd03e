"""What the webhook makes of an HTTP request, as a FastAPI application with an OpenAPI document.

Who calls is checked before anything that it sent is read, and the signature over the raw bytes before these are read
as JSON. What is JSON is handed on as it came: whether it holds uplinks is told by the counts of the answer, and what
is none is kept whole.
"""

from __future__ import annotations

import json
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from fastapi import FastAPI, Request, Response
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel, Field
from pydantic_core import from_json
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from structlog.typing import FilteringBoundLogger

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.inbox import Receipt
from loamline.edges.problem_details import PROBLEM_TYPE, HttpError, ProblemDetails, from_sentence
from loamline.edges.webhook_signature import Guard, NotProvenError, Proof
from loamline_schemas.uplink import Uplink

#: More uplinks in one request would hold up all others for the time of their commit.
MOST_UPLINKS = 10_000
#: The counts tell of all; these are for whoever looks for the reason.
_MOST_SENTENCES = 20
_SHOWN_BYTES = 20
_STATUSES = {
    400: "no JSON, or no HTTP",
    401: "without a signature or token, or with a wrong one",
    408: "not there as a whole in time",
    413: "a body that is too large, or holds too many uplinks",
    415: "a body with a content coding",
    503: "nothing more can be stored at the moment; send it again after Retry-After seconds",
}


class Counts(BaseModel):
    """What became of a request's uplinks, all of which are on disk; each is counted once."""

    read: int = Field(description="uplinks in the request")
    accepted: int = Field(description="new, and read by a codec")
    duplicates: int = Field(description="there already")
    set_aside: int = Field(description="new, but no codec reads them; kept")
    unreadable: int = Field(description="no uplinks at all; kept whole")
    sentences: list[str] = Field(description=f"why the first {_MOST_SENTENCES} of the unreadable are no uplinks")


class Answer(NamedTuple):
    """A status, what stands in its JSON body, and headers beside the usual ones."""

    status: int
    content: dict[str, Any]
    headers: dict[str, str] | None = None


@dataclass(frozen=True)
class Door:
    """One path that takes messages: who reads them, and what is answered once they are on disk.

    `not_stored` makes the body of an answer with 503, where that is more than problem details. The schemas may refer
    to `models`, whose own schemas stand in the document.
    """

    path: str
    summary: str
    reader: EnvelopeReader
    answer: Callable[[bytes, Receipt], Answer]
    request_schema: dict[str, Any]
    answer_schema: dict[str, Any]
    models: tuple[type[BaseModel], ...]
    not_stored: Callable[[bytes], dict[str, Any]] | None = None


#: Hands a body on; returns once it is on disk. Raises HttpError.
Keep = Callable[[bytes, Door], Awaitable[Receipt]]


def uplinks_door(reader: EnvelopeReader, *, canonical: bool = True) -> Door:
    """Return `POST /uplinks`; of an envelope of another kind than canonical no schema is known."""
    one = {"$ref": "#/components/schemas/Uplink"} if canonical else {}
    return Door(
        path="/uplinks",
        summary="Store one uplink, or a list of them.",
        reader=reader,
        answer=_counts,
        request_schema={"anyOf": [one, {"type": "array", "items": one, "maxItems": MOST_UPLINKS}]},
        answer_schema={"$ref": "#/components/schemas/Counts"},
        models=(Uplink, Counts),
    )


def _counts(_body: bytes, receipt: Receipt) -> Answer:
    told = Counts(**vars(receipt.outcome), sentences=receipt.sentences[:_MOST_SENTENCES])
    return Answer(200, told.model_dump())


def make_app(
    *,
    doors: Sequence[Door],
    guard: Guard,
    most_bytes: int,
    keep: Keep,
    log: FilteringBoundLogger,
    now_s: Callable[[], float] = time.time,
) -> FastAPI:
    """Return the application; its document stands at /openapi.json, pages that load scripts from elsewhere nowhere."""
    app = FastAPI(title="loamline webhook", version="1", docs_url=None, redoc_url=None)

    def endpoint(door: Door) -> Callable[[Request], Awaitable[Response]]:
        async def take(request: Request) -> Response:
            try:
                body = await _proven_body(request, guard, most_bytes, now_s)
                _check_json(body)
                told = await _kept(body, door, keep)
            except HttpError as problem:
                return _problem(problem)
            except ClientDisconnect:
                return Response(status_code=400)  # which nobody reads
            except Exception as problem:  # noqa: BLE001 - no request may end in a traceback
                log.error("defect in the webhook, please report this", reason=repr(problem))  # noqa: TRY400 - one line
                return _problem(HttpError(500, "to answer", "a defect of ours; the log says more"))
            return Response(json.dumps(told.content), told.status, told.headers, media_type="application/json")

        return take

    for door in doors:
        app.add_api_route(
            door.path,
            endpoint(door),
            methods=["POST"],
            summary=door.summary,
            operation_id=door.path.strip("/"),
            response_model=None,
            openapi_extra=_operation(door, guard),
        )

    @app.exception_handler(HTTPException)
    async def refused(_request: Request, problem: HTTPException) -> Response:
        paths = ", ".join(door.path for door in doors)
        got = {404: "another path", 405: "another method"}.get(problem.status_code, str(problem.detail))
        return _problem(HttpError(problem.status_code, f"POST to {paths}", got, headers=problem.headers))

    def document() -> dict[str, Any]:
        return _document(app, doors, guard)

    app.openapi = document  # type: ignore[method-assign] # FastAPI's own way to amend the document
    return app


async def _kept(body: bytes, door: Door, keep: Keep) -> Answer:
    try:
        return door.answer(body, await keep(body, door))
    except HttpError as problem:
        if door.not_stored is None:
            raise
        return Answer(problem.status, door.not_stored(body), problem.headers)


async def _proven_body(request: Request, guard: Guard, most_bytes: int, now_s: Callable[[], float]) -> bytes:
    told = dict(request.scope["headers"])
    names = ("authorization", "webhook-id", "webhook-timestamp", "webhook-signature")
    proof = Proof(*(told.get(name.encode()) for name in names))
    try:
        signed = guard.before_the_body(proof, now_s())
        coding = told.get(b"content-encoding", b"identity")
        if coding.strip().lower() != b"identity":
            raise HttpError(415, "a body as it is", "a content coding", "the header Content-Encoding")
        body = await _bounded_body(request, told.get(b"content-length", b""), most_bytes)
        if signed:
            guard.check_body(proof, body)
    except NotProvenError as problem:
        raise from_sentence(401, str(problem), {"www-authenticate": "Bearer"}) from None
    return body


async def _bounded_body(request: Request, told_length: bytes, most_bytes: int) -> bytes:
    if told_length.isdigit() and int(told_length) > most_bytes:
        raise HttpError(413, f"a body of at most {most_bytes} bytes", f"{int(told_length)}", "the body")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > most_bytes:
            raise HttpError(413, f"a body of at most {most_bytes} bytes", "more", "the body")
    return bytes(body)


def _check_json(body: bytes) -> None:
    try:
        told = from_json(body, allow_inf_nan=False)
    except ValueError as problem:
        reason, _, at = str(problem).rpartition(" at ")
        excerpt = body[:_SHOWN_BYTES].decode(errors="replace") + ("..." if len(body) > _SHOWN_BYTES else "")
        got = f"{reason} ({excerpt!r})" if body else "nothing"
        raise HttpError(400, "JSON (RFC 8259)", got, f"the body, {at}") from None
    if isinstance(told, list) and len(told) > MOST_UPLINKS:
        raise HttpError(413, f"a list of at most {MOST_UPLINKS} uplinks", f"{len(told)}", "the body")


def _problem(problem: HttpError) -> Response:
    return Response(problem.body(), problem.status, headers=problem.headers, media_type=PROBLEM_TYPE)


# The document --------------------------------------------------------------------------------------------------------


def _operation(door: Door, guard: Guard) -> dict[str, Any]:
    problem = {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}}
    responses = {str(status): {"description": told, "content": problem} for status, told in _STATUSES.items()}
    if door.not_stored is not None:
        responses["503"]["content"] = {**problem, "application/json": {"schema": door.answer_schema}}
    responses["503"] |= {"headers": {"Retry-After": {"schema": {"type": "integer"}, "description": "seconds"}}}
    responses["200"] = {"description": "on disk", "content": {"application/json": {"schema": door.answer_schema}}}
    if guard.open:
        del responses["401"]
    return {
        "requestBody": {"required": True, "content": {"application/json": {"schema": door.request_schema}}},
        "responses": responses,
        "security": [{name: []} for name in _schemes(guard)],
    }


def _schemes(guard: Guard) -> dict[str, Any]:
    told: dict[str, Any] = {}
    if guard.tokens:
        told["token"] = {"type": "http", "scheme": "bearer"}
    if guard.secrets:
        told["signature"] = {
            "type": "apiKey",
            "in": "header",
            "name": "webhook-signature",
            "description": "HMAC-SHA256 of webhook-id.webhook-timestamp.body (Standard Webhooks 1.0.0)",
        }
    return told


def _document(app: FastAPI, doors: Sequence[Door], guard: Guard) -> dict[str, Any]:
    if app.openapi_schema is None:
        document = get_openapi(title=app.title, version=app.version, routes=app.routes)
        schemas: dict[str, Any] = {}
        models: list[type[BaseModel]] = [ProblemDetails, *(model for door in doors for model in door.models)]
        for model in models:
            told = model.model_json_schema(ref_template="#/components/schemas/{model}")
            schemas |= told.pop("$defs", {})
            schemas[model.__name__] = told
        document["components"] = {"schemas": schemas, "securitySchemes": _schemes(guard)}
        app.openapi_schema = document
    return app.openapi_schema
