"""The OpenAPI 3.1 document: rows, units and meanings out of the columns themselves, so that it tells what comes."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
from fastapi import FastAPI, Response
from fastapi.openapi.utils import get_openapi

from loamline.edges.api.content import JSON, TABLES
from loamline.edges.problem_details import PROBLEM_TYPE, ProblemDetails

PREFIX = "/api/v1"
_ABOUT = """\
What a store of soil-moisture readings holds, to read. A key goes into the header `Authorization: Bearer KEY`; it sees
the probes on its customer's sites alone, and of each only the time that it stood there.

Listings come in pages: the header `Link` (RFC 8288) with `rel="next"` leads on, or `next` of the JSON as `cursor`. Rows
that are added meanwhile double none and hide none. Errors are problem details (RFC 9457). An answer has an `ETag`;
`If-None-Match` with it is answered by 304 while nothing has changed. Times are UTC, RFC 3339.
"""
_STATUSES = {
    401: "no key, an unknown one, or one that was revoked",
    403: "the key lacks the scope",
    404: "there is none such, or it is somebody else's",
    406: "no media type that is accepted is offered",
    422: "a parameter that does not fit",
    429: "too many requests; come again after Retry-After seconds",
    503: "the store is away, or the question took too long; come again after Retry-After seconds",
}
_INVENTED: dict[str, Any] = {
    "dev_eui": "02BB000000000001", "serial": "S-0001", "hardware": "P1", "made_on": "2026-03-02", "site": "North field",
    "customer": "Upper Farm", "latitude_deg": 47.5, "longitude_deg": 8.25, "time_zone": "Europe/Zurich",
    "label": "barley 1", "labels": ["barley 1"], "attention": ["low supply"], "depth_index": 0, "depth_cm": 10.0,
    "texture": "loam", "measured_at": "2026-05-01T10:00:00Z", "heard_at": "2026-05-01T10:00:03Z", "age_minutes": 0,
    "moisture_count": 1850, "permittivity": 14.2, "vwc_m3_m3": 0.265, "vwc_percent": 26.5,
    "vwc_uncertainty_m3_m3": 0.013, "plant_available_fraction": 0.81, "zone": "adequate",
    "soil_temperature_degc": 14.5, "supply_v": 3.58, "supply_low": True, "verdict": "pass", "range": "pass",
    "codec": "measurement-v1", "soil_curve": "topp-1980", "best_rssi_dbm": -101.5, "best_snr_db": -2.25, "gateways": 1,
    "conflicts": 0, "valid_from": "2026-03-20T08:00:00Z", "gateway": "gw-a", "median_rssi_dbm": -101.5,
    "last_heard_at": "2026-05-01T10:00:03Z", "id": "topp-1980", "step": "soil", "kind": "topp1980", "applies_to": "*",
    "digest": "9f2c41d07ab35e68", "source": "Topp, Davis & Annan 1980", "revision_id": 3, "day": "2026-05-01",
    "hour": "2026-05-01T10:00:00Z", "reason": "the field's soil was sampled: silt loam", "readings": 24, "heard": 167,
    "lost": 1, "share_lost": 0.006, "root_depth_m": 0.6, "storage_mm": 148.2, "definition": "{}",
    "verdict_pass": 23, "verdict_suspect": 1, "asked_at": "2026-05-02T07:30:00Z",
    "published_at": "2026-05-02T07:31:00Z", "probes": 4, "uplinks": 167, "receptions": 320,
}  # fmt: skip


def row_schema(schema: pa.Schema) -> dict[str, Any]:
    """Return the JSON Schema of a row."""
    properties = {field.name: _property(field) for field in schema}
    return {"type": "object", "properties": properties, "required": schema.names, "additionalProperties": False}


def example_row(schema: pa.Schema) -> dict[str, Any]:
    """Return an invented row; what nothing was invented for is null."""
    return {name: _INVENTED.get(name) for name in schema.names}


def listing(schema: pa.Schema, *others: pa.Schema, offered: tuple[str, ...] = TABLES) -> dict[str, Any]:
    """Return what a route is to say of its answers: a page of rows, of one of these shapes."""
    rows = [row_schema(told) for told in (schema, *others)]
    content = {
        "type": "object",
        "properties": {
            "rows": {"type": "array", "items": rows[0] if len(rows) == 1 else {"anyOf": rows}},
            "units": {
                "type": "object",
                "additionalProperties": {"type": "string"},
                "description": "UCUM code of each column that has a unit",
            },
            "next": {"type": ["string", "null"], "description": "cursor of the next page; null: this is the last"},
        },
        "required": ["rows", "units", "next"],
        "additionalProperties": False,
    }
    units = {f.name: f.metadata[b"unit"].decode() for f in schema if (f.metadata or {}).get(b"unit")}
    example = {"rows": [example_row(schema)], "units": units, "next": None}
    link = {"Link": {"schema": {"type": "string"}, "description": 'RFC 8288: rel="first" and, if any, rel="next"'}}
    return _route(content, example, offered, link)


def single(schema: pa.Schema) -> dict[str, Any]:
    """Return the same of a route that answers with one row."""
    return _route(row_schema(schema), example_row(schema), TABLES, {})


def _route(content: dict[str, Any], example: Any, offered: tuple[str, ...], headers: dict[str, Any]) -> dict[str, Any]:
    etag = {"ETag": {"schema": {"type": "string"}, "description": "RFC 9110, weak"}}
    text = {"schema": {"type": "string"}}
    media = {kind: {"schema": content, "example": example} if kind == JSON else text for kind in offered}
    problem = {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}}
    retry = {"Retry-After": {"schema": {"type": "integer"}, "description": "seconds"}}
    refused: dict[int | str, dict[str, Any]] = {
        status: {"description": told, "content": problem, **({"headers": retry} if status in (429, 503) else {})}
        for status, told in _STATUSES.items()
    }
    answers: dict[int | str, dict[str, Any]] = {
        200: {"description": "what was asked for", "content": media, "headers": {**etag, **headers}},
        304: {"description": "unchanged since the answer with the ETag that If-None-Match names"},
    }
    return {
        "responses": answers | refused,
        "response_class": Response,
        "response_model": None,
        "openapi_extra": {"security": [{"key": []}]},
    }


def _property(field: pa.Field) -> dict[str, Any]:
    told = {name.decode(): text.decode() for name, text in (field.metadata or {}).items()}
    unit, meaning = told.get("unit", ""), told.get("meaning", "")
    described = {"description": f"{meaning}, {unit}" if unit else meaning} if meaning or unit else {}
    kind = field.type
    if pa.types.is_list(kind):
        return {"type": "array", "items": {"type": "string"}, **described}
    if pa.types.is_timestamp(kind):
        return {"type": ["string", "null"], "format": "date-time", **described}
    if pa.types.is_date(kind):
        return {"type": ["string", "null"], "format": "date", **described}
    name = "string"
    if pa.types.is_boolean(kind):
        name = "boolean"
    elif pa.types.is_integer(kind):
        name = "integer"
    elif pa.types.is_floating(kind):
        name = "number"
    return {"type": [name, "null"], **described}


def _with_nulls(content: dict[str, Any]) -> None:
    """Put back into an example the nulls that FastAPI takes for nothing."""
    example, schema = content["example"], content["schema"]
    if "rows" in example:
        shapes = schema["properties"]["rows"]["items"]
        names = shapes.get("anyOf", [shapes])[0]["required"]
        example |= {"rows": [{name: row.get(name) for name in names} for row in example["rows"]], "next": None}
    else:
        content["example"] = {name: example.get(name) for name in schema["required"]}


def install_document(app: FastAPI) -> None:
    """Have the application tell its document, with the key and the problems in it."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            told = get_openapi(title=app.title, version=app.version, description=_ABOUT, routes=app.routes)
            for operations in told["paths"].values():
                for operation in operations.values():
                    _with_nulls(operation["responses"]["200"]["content"][JSON])
            parts = told.setdefault("components", {})
            parts.setdefault("schemas", {})["ProblemDetails"] = ProblemDetails.model_json_schema()
            parts["securitySchemes"] = {
                "key": {"type": "http", "scheme": "bearer", "description": "made by `loamline key create`"}
            }
            app.openapi_schema = told
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign] # FastAPI's own way to amend the document
