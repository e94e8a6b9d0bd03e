"""Two tables compared row by row and bit for bit."""

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.store.rows_apart import in_order, rows_apart


def table(*rows):
    """Return rows of a key, a figure and a word as a table."""
    schema = pa.schema([("key", pa.int32()), ("figure", pa.float64()), ("word", pa.string())])
    return pa.Table.from_pylist([dict(zip(schema.names, row, strict=True)) for row in rows], schema=schema)


def apart(ours, theirs):
    """Return which keys only ours and only theirs has, and which keys differ in which column."""
    found = rows_apart(ours, theirs, ("key",))
    keys, others = ours.column("key").to_pylist(), theirs.column("key").to_pylist()
    columns = {name: [keys[row] for row in found.pairs[0][differs]] for name, differs in found.columns.items()}
    return [keys[row] for row in found.only_ours], [others[row] for row in found.only_theirs], columns


def test_equal_tables_are_equal_in_any_order_of_rows():
    assert apart(table((1, 0.5, "a"), (2, None, None)), table((2, None, None), (1, 0.5, "a"))) == ([], [], {})


def test_rows_of_one_side_alone_are_told():
    assert apart(table((1, 0.5, "a"), (2, 1.0, "b")), table((2, 1.0, "b"), (3, 1.0, "c"))) == ([1], [3], {})


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [(0.1, 0.1 + 2**-56), (0.0, -0.0), (0.0, None), (None, 1.5)],
    ids=["last bit", "sign of zero", "null and zero", "null and a figure"],
)
def test_a_double_differs_where_any_bit_does(ours, theirs):
    assert apart(table((1, ours, "a")), table((1, theirs, "a"))) == ([], [], {"figure": [1]})


@pytest.mark.parametrize("theirs", ["b", None, ""])
def test_a_word_differs_from_another_and_from_none(theirs):
    assert apart(table((1, 0.5, "a")), table((1, 0.5, theirs))) == ([], [], {"word": [1]})


def test_a_row_that_stands_twice_is_one_too_many():
    assert apart(table((1, 0.5, "a"), (1, 0.5, "a")), table((1, 0.5, "a"))) == ([1], [], {})


def test_every_row_of_a_key_with_a_difference_has_changed_and_no_other():
    """So that what stands twice under one key is replaced together."""
    ours = table((1, 0.5, "a"), (2, 1.0, "b"), (2, 2.0, "b"), (4, 0.0, None))
    theirs = table((1, 0.5, "a"), (2, 1.0, "b"), (2, 3.0, "b"), (3, 0.0, None))
    gone, added = rows_apart(ours, theirs, ("key",)).changed
    assert (gone.tolist(), added.tolist()) == ([1, 2, 3], [1, 2, 3])


def test_rows_in_order_are_in_the_same_order_whatever_order_they_came_in():
    rows = [(1, 0.5, "b"), (1, 0.5, "a"), (2, None, "c")]
    assert in_order(table(*rows), ("key",)).equals(in_order(table(*rows[::-1]), ("key",)))


def test_empty_tables_are_equal():
    assert apart(table(), table()) == ([], [], {})
    assert apart(table(), table((1, 0.5, "a"))) == ([], [1], {})


ROWS = st.lists(
    st.tuples(st.integers(1, 4), st.sampled_from([None, 0.0, -0.0, 1.0]), st.sampled_from([None, "a", "b"])),
    max_size=6,
)


@given(ROWS, ROWS)
def test_the_count_is_that_of_the_obvious_comparison(ours, theirs):
    """Rows of unique keys, compared cell by cell in plain Python, doubles by their text."""
    sides = [{row[0]: row for row in rows} for rows in (ours, theirs)]
    found = rows_apart(*(table(*side.values()) for side in sides), ("key",))
    expected = len(sides[0].keys() ^ sides[1].keys())
    for key in sides[0].keys() & sides[1].keys():
        expected += sum(repr(a) != repr(b) for a, b in zip(sides[0][key], sides[1][key], strict=True))
    assert found.count == expected
