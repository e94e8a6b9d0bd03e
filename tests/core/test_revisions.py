"""Which registry state a sample comes under, with the revisions in force."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.revisions import Revision, Revisions


def revision(reference_id, *spans):
    """Return a revision over (probe, from, to)."""
    probe, start, end = np.array(sorted(spans), dtype=np.int64).reshape(-1, 3).T
    return Revision(reference_id, probe, start, end)


def states(revisions, *samples):
    """Return the states of (probe, instant, told)."""
    probe, at, told = np.array(samples, dtype=np.int64).reshape(-1, 3).T
    return Revisions(tuple(revisions)).reference(probe, at, told).tolist()


def test_a_sample_comes_under_the_state_in_force_when_its_uplink_came():
    assert states([], (1, 50, 2), (1, 60, 3)) == [2, 3]


def test_a_revision_lifts_its_span_with_both_ends_and_nothing_else():
    lifted = revision(5, (1, 10, 20))
    assert states([lifted], (1, 9, 2), (1, 10, 2), (1, 20, 2), (1, 21, 2), (2, 15, 2)) == [2, 5, 5, 2, 2]


def test_a_late_uplink_that_came_under_a_later_state_stays_there():
    assert states([revision(5, (1, 10, 20))], (1, 15, 7)) == [7]


def test_of_two_revisions_the_later_state_holds_whichever_was_applied_first():
    both = [revision(5, (1, 10, 20)), revision(4, (1, 0, 30))]
    assert states(both, (1, 15, 2), (1, 25, 2)) == states(both[::-1], (1, 15, 2), (1, 25, 2)) == [5, 4]


def test_a_revision_of_no_probe_lifts_nothing():
    assert states([revision(5)], (1, 15, 2)) == [2]


SPANS = st.dictionaries(st.integers(0, 4), st.tuples(st.integers(0, 9), st.integers(0, 9)).map(sorted), max_size=4)


@given(
    st.lists(st.tuples(st.integers(0, 9), SPANS), max_size=4),
    st.lists(st.tuples(st.integers(0, 5), st.integers(-1, 10), st.integers(0, 9)), max_size=20),
)
def test_it_is_the_greatest_state_of_all_that_say_something(revisions, samples):
    """Compared with the definition, sample by sample."""
    told = [
        revision(state, *((probe, start, end) for probe, (start, end) in spans.items())) for state, spans in revisions
    ]
    expected = [
        max(
            [state]
            + [number for number, spans in revisions if probe in spans and spans[probe][0] <= at <= spans[probe][1]]
        )
        for probe, at, state in samples
    ]
    assert states(told, *samples) == expected
