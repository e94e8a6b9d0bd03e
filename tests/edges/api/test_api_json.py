"""JSON that is made column by column says the same as an encoder that walks rows."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta

import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.api.json_columns import json_array
from loamline_schemas.columns import INSTANT

_START = datetime(2026, 5, 1, tzinfo=UTC)
_ROW = st.fixed_dictionaries(
    {
        "figure": st.none() | st.floats(),
        "count": st.none() | st.integers(-(2**63), 2**63 - 1),
        "told": st.none() | st.booleans(),
        'na"me': st.none() | st.text(st.characters(exclude_categories=["Cs"])),
        "at": st.none() | st.integers(0, 10**15).map(lambda us: _START + timedelta(microseconds=us)),
        "day": st.none() | st.dates(date(1, 1, 1), date(9999, 12, 31)),
        "labels": st.none() | st.lists(st.text('a"\\\n\u00e9')),
    }
)
_SCHEMA = pa.schema(
    {
        "figure": pa.float64(),
        "count": pa.int64(),
        "told": pa.bool_(),
        'na"me': pa.string(),
        "at": INSTANT,
        "day": pa.date32(),
        "labels": pa.list_(pa.string()),
    }
)


def _plain(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else value


@given(st.lists(_ROW, max_size=6), st.integers(0, 6))
def test_every_cell_reads_back_bit_for_bit_and_of_the_same_kind(rows: list[dict[str, object]], cut: int) -> None:
    table = pa.Table.from_pylist(rows, schema=_SCHEMA)
    pieces = pa.concat_tables([table.slice(0, cut), table.slice(cut)])
    told = json.loads(json_array(pieces))
    expected = [{name: _plain(row[name]) for name in _SCHEMA.names} for row in rows]
    # As text, -0.0 differs from 0.0, and 1 from 1.0.
    assert json.dumps(told) == json.dumps(expected)
