"""Errors over HTTP as problem details (RFC 9457): one sentence, and what was expected, what came and where by name."""

from __future__ import annotations

import json
from collections.abc import Mapping
from http import HTTPStatus

from pydantic import BaseModel, Field

PROBLEM_TYPE = "application/problem+json"


class ProblemDetails(BaseModel):
    """What is wrong with a request; `type` is always about:blank, so that `title` is the status' own."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str = Field(description="one sentence: where, expected, got")
    where: str | None = None
    expected: str
    got: str


class HttpError(Exception):
    """A request that is answered with problem details; `where` is a part of the request."""

    def __init__(
        self, status: int, expected: str, got: str, where: str | None = None, headers: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(f"{where + ': ' if where else ''}expected {expected}, got {got}")
        self.status, self.expected, self.got, self.where = status, expected, got, where
        self.headers = dict(headers or {})

    def body(self) -> bytes:
        """Return the problem details as JSON."""
        told = ProblemDetails(
            title=HTTPStatus(self.status).phrase,
            status=self.status,
            detail=str(self),
            where=self.where,
            expected=self.expected,
            got=self.got,
        )
        return json.dumps(told.model_dump(exclude_none=True)).encode()


def from_sentence(status: int, sentence: str, headers: Mapping[str, str] | None = None) -> HttpError:
    """Return the problem that a sentence of the form `expected ..., got ...` tells."""
    expected, _, got = sentence.removeprefix("expected ").partition(", got ")
    return HttpError(status, expected, got, headers=headers)
