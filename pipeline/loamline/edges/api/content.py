"""One table, many media types: which one a caller accepts (RFC 9110, 12.5.1), and the bytes in it."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Iterable

import pyarrow as pa

from loamline.core.senml import MEDIA_TYPE as SENML
from loamline.edges.api.json_columns import json_array
from loamline.edges.export import write_csv, write_parquet, write_senml
from loamline.edges.problem_details import HttpError
from loamline.edges.right_of_way import give_way

JSON = "application/json"
CSV = "text/csv"
PARQUET = "application/vnd.apache.parquet"
ARROW = "application/vnd.apache.arrow.stream"
#: What any resource is told in, the preferred one first.
TABLES = (JSON, CSV, PARQUET, ARROW)
READINGS = (*TABLES, SENML)


def chosen(accept: str | None, offered: tuple[str, ...]) -> str:
    """Return the media type that is accepted most, of equals the first offered. Raises HttpError (406)."""
    ranges = [*_ranges(accept or "*/*")]
    best, best_weight = None, 0.0
    for kind in offered:
        matching = [(rank, weight) for wanted, weight in ranges if (rank := _rank(wanted, kind)) >= 0]
        # The most specific range decides, of equally specific ones the greatest weight.
        weight = max(matching)[1] if matching else 0.0
        if weight > best_weight:
            best, best_weight = kind, weight
    if best is None:
        raise HttpError(406, f"one of {', '.join(offered)}", "none of them", "the header Accept")
    return best


def _ranges(accept: str) -> Iterable[tuple[str, float]]:
    for told in accept.split(",")[:50]:
        wanted, *parameters = (part.strip().lower() for part in told.split(";"))
        weight = 1.0
        for parameter in parameters:
            name, _, value = parameter.partition("=")
            if name.strip() == "q":
                try:
                    weight = float(value)
                except ValueError:
                    weight = 0.0
                weight = min(1.0, max(0.0, weight)) if math.isfinite(weight) else 0.0
        yield wanted, weight


def _rank(wanted: str, kind: str) -> int:
    if wanted == kind:
        return 2
    if wanted == kind.partition("/")[0] + "/*":
        return 1
    return 0 if wanted == "*/*" else -1


def encoded(rows: pa.Table, kind: str, *, cursor: str | None = None, single: bool = False) -> bytes:
    """Return rows as bytes of a media type; `single` tells JSON's one row by itself."""
    give_way()
    if kind == JSON:
        told = json_array(rows)
        if single:
            return told[1:-1]
        more = json.dumps({"units": _units(rows.schema), "next": cursor}, ensure_ascii=False, separators=(",", ":"))
        return b'{"rows":' + told + b"," + more[1:].encode()
    file = io.BytesIO()
    if kind == CSV:
        write_csv(_reader(_flat(rows)), file, _untold)
    elif kind == PARQUET:
        write_parquet(_reader(rows), file, _untold)
    elif kind == SENML:
        write_senml(_reader(rows), file, _untold)
    else:
        with pa.ipc.new_stream(file, rows.schema) as writer:
            writer.write_table(rows)
    return file.getvalue()


def _units(schema: pa.Schema) -> dict[str, str]:
    told = {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in schema}
    return {name: unit for name, unit in told.items() if unit}


def _flat(rows: pa.Table) -> pa.Table:
    """Return rows with lists as text, with semicolons between."""
    for number, field in enumerate(rows.schema):
        if pa.types.is_list(field.type):
            texts = [
                "; ".join(map(str, told)) if told is not None else None for told in rows.column(number).to_pylist()
            ]
            rows = rows.set_column(number, pa.field(field.name, pa.string()), pa.array(texts, pa.string()))
    return rows


def _reader(rows: pa.Table) -> pa.RecordBatchReader:
    return pa.RecordBatchReader.from_batches(rows.schema, rows.combine_chunks().to_batches())


def _untold(_rows: int) -> None:
    """Tell nobody how far it is."""
