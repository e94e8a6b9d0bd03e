"""Every error as problem details (RFC 9457): of ours, of validation, of routes, and of what nobody foresaw."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from structlog.typing import FilteringBoundLogger

from loamline.edges.problem_details import PROBLEM_TYPE, HttpError
from loamline.edges.store.reading_api import NotNowError, TooLongError

RETRY_AFTER_S = 5
_SHOWN = 60
_PLACES = {"query": "query parameter", "path": "path parameter", "header": "the header"}


def problem(told: HttpError) -> Response:
    """Return the answer that a problem makes."""
    headers = {"cache-control": "no-store", **told.headers}
    return Response(told.body(), told.status, headers=headers, media_type=PROBLEM_TYPE)


def tell_problems(app: FastAPI, log: FilteringBoundLogger | None) -> None:
    """Have the application answer every error with problem details."""

    @app.exception_handler(HttpError)
    async def ours(_request: Request, error: HttpError) -> Response:
        return problem(error)

    @app.exception_handler(RequestValidationError)
    async def unfit(_request: Request, error: RequestValidationError) -> Response:
        return problem(of_validation(error.errors()[0]))

    @app.exception_handler(HTTPException)
    async def unrouted(request: Request, error: HTTPException) -> Response:
        expected = {404: "a path of the document", 405: "GET or HEAD"}.get(error.status_code, "an HTTP request")
        got = {404: "another", 405: request.scope.get("loamline.method", request.method)}.get(
            error.status_code, str(error.detail)
        )
        headers = {"allow": "GET, HEAD"} if error.status_code == 405 else error.headers
        return problem(HttpError(error.status_code, expected, got[:_SHOWN], headers=headers))

    @app.exception_handler(NotNowError)
    @app.exception_handler(TooLongError)
    async def not_now(_request: Request, error: NotNowError | TooLongError) -> Response:
        expected, _, got = str(error).removeprefix("expected ").partition(", got ")
        if isinstance(error, TooLongError):
            got += "; ask for less: one probe, a shorter span, a smaller limit"
        return problem(HttpError(503, expected, got, headers={"retry-after": str(RETRY_AFTER_S)}))

    @app.exception_handler(Exception)
    async def defect(_request: Request, error: Exception) -> Response:
        if log is not None:
            log.error("defect in the API, please report this", reason=repr(error))
        return problem(HttpError(500, "to answer", "a defect of ours; the log says more"))


def of_validation(error: Mapping[str, Any]) -> HttpError:
    """Return the problem that the first error of a validation tells."""
    place, *rest = [str(part) for part in error["loc"]]
    where = f"{_PLACES.get(place, place)} {'.'.join(rest)}".strip()
    if error["type"] == "extra_forbidden":
        return HttpError(422, "a parameter of the document", "another", where[:_SHOWN])
    text = str(error["msg"]).removeprefix("Value error, ")
    expected = text.removeprefix("expected ") if text.startswith("expected ") else text[:1].lower() + text[1:]
    expected = expected.removeprefix("input should be ").replace("string should match", "text that matches")
    return HttpError(422, expected, repr(error.get("input"))[:_SHOWN], where)
