"""What holds when: a bisection over all series at once finds what a plain search finds."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.timeline import FOREVER, SINCE_EVER, Timeline, microseconds, span_us
from tests.core.registry_builder import at

KEYS, INSTANTS = st.integers(-3, 5), st.integers(-20, 20)


@st.composite
def series(draw):
    """Draw rows (key, from, to, number) in any order; no two of one key begin together."""
    begun = draw(st.lists(st.tuples(KEYS, INSTANTS), unique=True, max_size=30))
    ends = [draw(st.one_of(st.just(FOREVER), st.integers(1, 15))) for _ in begun]
    return [
        (key, since, FOREVER if end == FOREVER else since + end, number)
        for number, ((key, since), end) in enumerate(zip(begun, ends, strict=True))
    ]


def plain_search(rows, key, at_us):
    begun = [row for row in rows if row[0] == key and row[1] <= at_us]
    if not begun:
        return -1
    newest = max(begun, key=lambda row: row[1])
    return newest[3] if at_us < newest[2] else -1


@given(series(), st.lists(st.tuples(KEYS, INSTANTS), max_size=40), st.sampled_from([1, 256]))
def test_each_key_and_instant_has_the_row_that_began_last_and_has_not_ended(rows, asked, apart):
    """Whether the keys lie close to each other, as codes do, or far apart."""
    rows = [(key * apart, *rest) for key, *rest in rows]
    asked = [(key * apart, instant) for key, instant in asked]
    keys, instants = (np.array([one[i] for one in asked], dtype=np.int64) for i in range(2))
    assert Timeline(rows).at(keys, instants).tolist() == [plain_search(rows, *one) for one in asked]


def test_a_row_holds_at_its_first_instant_and_no_longer_at_its_last():
    told = Timeline([(1, 10, 20, 7)])
    assert told.at(np.full(4, 1), np.array([9, 10, 19, 20])).tolist() == [-1, 7, 7, -1]


def test_an_open_span_holds_before_and_after_everything():
    assert span_us(None, None) == (SINCE_EVER, FOREVER)
    may = at("2026-05-01T00:00:00Z")
    assert span_us(may, None) == (microseconds(may), FOREVER)
    told = Timeline([(1, *span_us(None), 7)])
    assert told.at(np.array([1, 1]), np.array([SINCE_EVER, FOREVER - 1])).tolist() == [7, 7]


def test_a_timeline_of_nothing_finds_nothing():
    assert Timeline([]).at(np.array([1, 2]), np.array([0, 0])).tolist() == [-1, -1]
