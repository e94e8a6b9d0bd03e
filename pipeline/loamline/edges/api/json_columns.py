"""Rows as JSON, made column by column in Arrow: a year of one probe is some hundred thousand cells.

Arrow lets other threads run meanwhile; an encoder that walks objects would hold up the thread that stores.
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from loamline.edges.export import rfc3339_column


def json_array(rows: pa.Table) -> bytes:
    """Return rows as an array of JSON objects, UTF-8: times RFC 3339, days ISO 8601, what is no number null."""
    if not rows.num_rows:
        return b"[]"
    parts: list[Any] = []
    for number, (column, field) in enumerate(zip(rows.columns, rows.schema, strict=True)):
        opening = "{" if number == 0 else ","
        parts += [_large(f"{opening}{_quoted(field.name)}:"), _texts(column, field.type)]
    objects = pc.binary_join_element_wise(*parts, _large("}"), _large(""))
    return f"[{','.join(objects.to_pylist())}]".encode()


def _large(text: str) -> pa.Scalar:
    return pa.scalar(text, pa.large_string())


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _texts(column: pa.ChunkedArray, kind: pa.DataType) -> pa.Array:
    """Return each cell as JSON, large strings without a null."""
    array = pa.concat_arrays(column.chunks) if column.num_chunks != 1 else column.chunk(0)
    if pa.types.is_floating(kind):
        texts = _decimals(array)
    elif pa.types.is_integer(kind) or pa.types.is_boolean(kind):
        texts = array.cast(pa.large_string())
    elif pa.types.is_timestamp(kind):
        texts = pa.array([told and f'"{told}"' for told in rfc3339_column(array)], pa.large_string())
    elif pa.types.is_string(kind):
        encoded = array.dictionary_encode()
        quoted = pa.array([_quoted(text) for text in encoded.dictionary.to_pylist()], pa.large_string())
        texts = quoted.take(encoded.indices)
    else:
        texts = pa.array([_value(value) for value in array.to_pylist()], pa.large_string())
    return texts.fill_null("null")


def _decimals(array: pa.Array) -> pa.Array:
    """Return doubles by the shortest text that reads back the same, with a point or an exponent in each."""
    known = pc.if_else(pc.is_finite(array), array, None)
    texts = known.cast(pa.large_string())
    plain = pc.invert(pc.match_substring_regex(texts, "[.e]"))
    return pc.if_else(plain, pc.binary_join_element_wise(texts, *map(_large, (".0", ""))), texts)


def _value(value: Any) -> str:
    told = value.isoformat() if isinstance(value, date) else value
    return json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
