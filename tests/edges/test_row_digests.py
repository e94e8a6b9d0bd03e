"""A digest stands for a whole row: equal where every bit is, and nowhere else."""

import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.store.row_digests import row_digests
from loamline_schemas.columns import INSTANT

SCHEMA = pa.schema(
    [
        ("number", pa.int32()),
        ("figure", pa.float64()),
        ("small", pa.float64()),
        ("held", pa.bool_()),
        ("word", pa.string()),
        ("at", INSTANT),
    ]
)
NUMBERS = st.one_of(st.none(), st.sampled_from([0, 1, -1]), st.integers(-(2**31), 2**31 - 1))
FIGURES = st.one_of(st.none(), st.sampled_from([0.0, -0.0, 1.0, 0.1, 5e-324]), st.floats(allow_nan=False))
ROWS = st.tuples(
    NUMBERS,
    FIGURES,
    FIGURES,
    st.sampled_from([None, False, True]),
    st.sampled_from([None, "", "a", "measurement-v1", "measurement-v2"]),
    st.integers(-(10**15), 10**15),
)


def digests(rows: list[tuple[object, ...]]) -> list[int]:
    columns = list(zip(*rows, strict=True))
    arrays = [
        pa.array(column, pa.int64()).cast(INSTANT) if field.name == "at" else pa.array(column, field.type)
        for column, field in zip(columns, SCHEMA, strict=True)
    ]
    return row_digests(pa.Table.from_arrays(arrays, schema=SCHEMA)).tolist()


def bits(row: tuple[object, ...]) -> tuple[str, ...]:
    return tuple(f"{type(value).__name__} {value!r}" for value in row)


@given(st.lists(ROWS, min_size=2, max_size=20))
def test_two_rows_have_one_digest_where_and_only_where_every_bit_of_them_is_equal(rows):
    told = digests(rows)
    for one, digest in zip(rows, told, strict=True):
        for other, another in zip(rows, told, strict=True):
            assert (digest == another) == (bits(one) == bits(other))


@given(st.lists(ROWS, min_size=1, max_size=20), ROWS)
def test_a_digest_does_not_hang_on_the_rows_beside_it(rows, row):
    assert digests([*rows, row])[-1] == digests([row])[0]


@given(ROWS)
def test_figures_that_change_places_change_the_digest(row):
    number, figure, small, *rest = row
    exchanged = (number, small, figure, *rest)
    (one,), (other,) = digests([row]), digests([exchanged])
    assert (one == other) == (bits(row) == bits(exchanged))


def test_a_million_rows_that_differ_in_one_small_figure_have_a_million_digests():
    count = 1_000_000
    rows = pa.table({"a": pa.array([7] * count, pa.int32()), "b": pa.array([n / 64 for n in range(count)])})
    assert len(set(row_digests(rows).tolist())) == count
