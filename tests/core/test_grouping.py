"""Grouping of columns: distinct combinations by hashing, the first row of a group since an instant, and medians."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.columns import distinct, medians, rows_since

_FAR = 2**62
numbers = st.one_of(st.integers(-3, 3), st.sampled_from([-_FAR // 2, _FAR // 2]))


@given(st.lists(st.tuples(numbers, numbers, numbers), max_size=40))
def test_distinct_combinations_are_numbered_in_order_of_first_sight(rows):
    """Also where the numbers lie so far apart that three of them don't fit one."""
    columns = [np.array([row[place] for row in rows], dtype=np.int64) for place in range(3)]
    first, number = distinct(*columns)
    seen = list(dict.fromkeys(rows))
    assert [rows[index] for index in first] == seen
    assert number.tolist() == [seen.index(row) for row in rows]


@given(st.lists(st.lists(st.integers(0, 50), min_size=1, max_size=12), max_size=5), st.integers(0, 30), st.booleans())
def test_the_first_row_since_an_instant_is_of_the_rows_own_group(groups, back, far):
    """Also where groups times instants don't fit one number."""
    stretch = _FAR // 60 if far else 1
    at = np.array([instant * stretch for group in groups for instant in sorted(group)], dtype=np.int64)
    starts = np.array([place == 0 for group in groups for place in range(len(group))], dtype=bool)
    since = at - back * stretch
    expected = []
    for row in range(len(at)):
        begin = max(index for index in range(row + 1) if starts[index])
        expected.append(next(index for index in range(begin, row + 1) if at[index] >= since[row]))
    assert rows_since(starts, at, since).tolist() == expected


@given(st.lists(st.lists(st.one_of(st.just(np.nan), st.floats(-1e6, 1e6)), min_size=1, max_size=7), max_size=6))
def test_medians_are_numpys_of_what_is_known_of_each_group(groups):
    """numpy's nanmedian is the reference; a group of which nothing is known has none."""
    values = np.array([value for group in groups for value in group], dtype=np.float64)
    begins = np.cumsum([0, *(len(group) for group in groups)])[:-1]
    known = [[value for value in group if not np.isnan(value)] for group in groups]
    expected = [np.median(group) if group else np.nan for group in known]
    assert medians(values, begins).tolist() == pytest.approx(expected, nan_ok=True)
