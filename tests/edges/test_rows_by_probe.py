"""Rows in memory answer what the same rows in a list would."""

from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.store.rows_by_probe import RowsByProbe
from loamline_schemas.columns import INSTANT

SCHEMA = pa.schema([("probe_id", pa.int32()), ("heard_at", INSTANT), ("fcnt", pa.uint32())])
Row = tuple[int, int, int]

rows = st.lists(st.tuples(st.integers(1, 4), st.integers(-20, 20), st.integers(0, 2)), max_size=12)
spans = st.dictionaries(st.integers(1, 5), st.tuples(st.integers(-25, 25), st.integers(-25, 25)), min_size=1)
steps = st.lists(
    st.one_of(
        st.tuples(st.just("append"), rows),
        st.tuples(st.just("remove"), rows),
        st.tuples(st.just("forget"), st.integers(-20, 20)),
    ),
    max_size=12,
)


def table(told: list[Row]) -> pa.Table:
    columns = list(zip(*told, strict=True)) or [(), (), ()]
    return pa.table([pa.array(column, pa.int64()) for column in columns], names=SCHEMA.names).cast(SCHEMA)


def read(found: pa.Table) -> list[Row]:
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    return sorted(
        (row["probe_id"], round((row["heard_at"] - epoch).total_seconds() * 1e6), row["fcnt"])
        for row in found.to_pylist()
    )


@given(steps, spans)
def test_rows_are_found_by_probe_and_instant_whatever_was_appended_removed_and_forgotten(told, wanted):
    kept, plain, since = RowsByProbe(SCHEMA, "heard_at"), [], -100
    for step, what in told:
        if step == "append":
            kept.append(table(what))
            plain += what
        elif step == "remove":
            kept.remove(table(what))
            plain = [row for row in plain if row not in what]
        else:
            kept.forget_before(what)
            since = max(since, what)
    probes = np.array(sorted(wanted), dtype=np.int64)
    first, last = (np.array([wanted[probe][end] for probe in probes.tolist()], dtype=np.int64) for end in (0, 1))
    found = [row for row in read(kept.within(probes, first, last)) if row[1] >= since]
    assert found == sorted(
        row for row in plain if row[0] in wanted and max(since, wanted[row[0]][0]) <= row[1] <= wanted[row[0]][1]
    )
    later = kept.after(probes, np.maximum(last, since))
    assert later.tolist() == [
        any(row[0] == probe and row[1] > max(since, wanted[probe][1]) for row in plain) for probe in probes.tolist()
    ]


def test_what_is_forgotten_gives_its_memory_back_even_beside_a_clock_that_is_years_ahead():
    kept = RowsByProbe(SCHEMA, "heard_at")
    for hour in range(50):
        kept.append(table([(probe, hour, 0) for probe in range(200)]))
    kept.append(table([(7, 10**15, 0)]))
    before = kept.size_bytes
    kept.forget_before(10**6)
    assert kept.size_bytes < before / 100
    assert read(kept.within(np.array([7]), np.array([0]), np.array([10**16]))) == [(7, 10**15, 0)]
