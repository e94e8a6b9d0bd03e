"""Ordering of columns: what np.lexsort gives, however far apart the numbers lie."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.columns import order_by

_FAR = 2**62
numbers = st.one_of(st.integers(-3, 3), st.sampled_from([-_FAR // 2, _FAR // 2, -(2**63), 2**63 - 1]))


@given(st.integers(1, 4).flatmap(lambda keys: st.lists(st.tuples(*[numbers] * keys), min_size=1, max_size=40)))
def test_rows_stand_in_order_of_the_first_key_then_the_next_and_equal_ones_as_they_stood(rows):
    keys = [np.array([row[place] for row in rows], dtype=np.int64) for place in range(len(rows[0]))]
    assert order_by(*keys).tolist() == sorted(range(len(rows)), key=lambda index: rows[index])


def test_no_rows_have_no_order():
    assert order_by(np.empty(0, dtype=np.int64)).tolist() == []
