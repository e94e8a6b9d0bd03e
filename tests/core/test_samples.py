"""One sample an instant: ages, which samples are the same one, which of them counts, and what else was told."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.columns import MINUTE_US
from loamline.core.samples import coalesce, measured_at


def sample(minute, *, age=0, heard=None, key=(0,), count=1850.0, temperature=12.0, series=0, interval=60.0):
    """Return one sample taken at `minute`, by default out of an uplink heard `age` minutes later."""
    return {
        "minute": minute,
        "age": age,
        "heard": minute + age if heard is None else heard,
        "key": key,
        "figures": (count, temperature),
        "series": series,
        "interval": interval,
    }


def kept(*samples):
    """Return the samples that count, how many conflicts each has, and its span in minutes."""

    def column(name, scale=1):
        return np.array([np.rint(told[name] * scale) for told in samples], dtype=np.int64)

    key = tuple(np.array(part, dtype=np.int64) for part in zip(*(told["key"] for told in samples), strict=True))
    told = coalesce(
        column("series"),
        column("minute", MINUTE_US),
        np.array([told["interval"] for told in samples], dtype=np.float64),
        column("age"),
        column("heard", MINUTE_US),
        lambda rows: tuple(column[rows] for column in key),
        tuple(
            np.array(figure, dtype=np.float64) for figure in zip(*(told["figures"] for told in samples), strict=True)
        ),
    )
    first, last = (edge / MINUTE_US for edge in told.span_us)
    spans = list(zip(first.tolist(), last.tolist(), strict=True))
    return told.row.tolist(), told.conflicts.tolist(), spans


def test_a_sample_was_taken_its_age_before_the_uplink_was_heard():
    heard = np.array([600, 600, 600], dtype=np.int64) * MINUTE_US
    age = np.array([0, 60, 1785], dtype=np.int32)
    assert measured_at(heard, age).tolist() == [600 * MINUTE_US, 540 * MINUTE_US, -1185 * MINUTE_US]


# --- which samples are one ----------------------------------------------------------------------------------------


def test_samples_closer_than_a_quarter_of_the_interval_are_one():
    rows, _, spans = kept(sample(0), sample(14.99))
    assert rows == [0]
    assert spans == [(0.0, 14.99)]


def test_samples_exactly_a_quarter_of_the_interval_apart_are_two():
    rows, _, spans = kept(sample(0), sample(15))
    assert rows == [0, 1]
    assert spans == [(0.0, 0.0), (15.0, 15.0)]


def test_the_interval_that_the_payload_tells_decides():
    assert kept(sample(0, interval=20), sample(5, interval=20))[0] == [0, 1]
    assert kept(sample(0, interval=240), sample(50, interval=240))[0] == [0]


def test_at_one_instant_there_is_one_sample_even_where_a_payload_says_an_interval_of_nothing():
    told = kept(sample(5, interval=0), sample(5, interval=0, count=9.0), sample(5.1, interval=0))
    assert told[:2] == ([0, 2], [1, 0])


def test_of_two_different_intervals_the_shorter_one_decides():
    assert kept(sample(0, interval=60), sample(10, interval=20))[0] == [0, 1]
    assert kept(sample(0, interval=20), sample(10, interval=60))[0] == [0, 1]


def test_a_chain_of_near_samples_is_one_however_long():
    rows, _, spans = kept(sample(0, age=60), sample(14, age=0), sample(28, age=60), sample(43, age=60))
    assert rows == [1, 3]
    assert spans == [(0.0, 28.0), (43.0, 43.0)]


def test_other_probes_and_depths_are_never_mixed():
    assert kept(sample(0, series=0), sample(0, series=1), sample(1, series=2))[0] == [0, 1, 2]


def test_no_samples_keep_none():
    empty = np.empty(0, dtype=np.int64)
    told = coalesce(empty, empty, np.empty(0), empty, empty, lambda rows: (rows,), (np.empty(0),))
    assert len(told.row) == len(told.conflicts) == len(told.span_us[0]) == 0


# --- which of them counts -----------------------------------------------------------------------------------------


def test_the_less_aged_sample_counts_even_where_it_was_heard_later():
    assert kept(sample(0, age=60, heard=60), sample(1, age=0, heard=90))[0] == [1]


def test_of_equally_aged_samples_the_earlier_heard_counts():
    assert kept(sample(3, heard=70, key=(1,)), sample(0, heard=65, key=(2,)))[0] == [1]


def test_of_samples_heard_at_once_the_smaller_uplink_key_counts():
    assert kept(sample(0, heard=60, key=(8, 1)), sample(0, heard=60, key=(7, 9)), sample(0, heard=60, key=(7, 10)))[
        0
    ] == [1]


# --- conflicts ----------------------------------------------------------------------------------------------------


def test_a_backfilled_copy_with_the_same_figures_is_no_conflict():
    assert kept(sample(0), sample(0, age=60))[1] == [0]


@pytest.mark.parametrize("other", [{"count": 1851.0}, {"temperature": 12.5}, {"count": np.nan}])
def test_every_sample_that_tells_another_figure_is_a_conflict(other):
    assert kept(sample(0), sample(0, age=60, **other), sample(0, age=120), sample(0, age=180, **other))[1] == [2]


def test_two_samples_without_a_figure_agree():
    assert kept(sample(0, count=np.nan), sample(0, age=60, count=np.nan))[1] == [0]


def test_conflicts_stay_with_the_sample_that_won_over_them():
    assert kept(sample(0), sample(60), sample(60, age=60, count=1900.0), sample(120))[1] == [0, 1, 0]


# --- any order ----------------------------------------------------------------------------------------------------

samples = st.lists(
    st.builds(
        sample,
        st.integers(0, 90),
        age=st.sampled_from([0, 60, 120]),
        heard=st.integers(90, 93),
        count=st.sampled_from([1850.0, 1851.0, np.nan]),
        series=st.integers(0, 1),
        interval=st.sampled_from([20.0, 60.0]),
    ),
    min_size=1,
    max_size=10,
)


@settings(max_examples=80, deadline=None)
@given(data=st.data(), told=samples)
def test_any_order_of_rows_keeps_the_same_samples(data, told):
    numbered = [{**one, "key": (0, number)} for number, one in enumerate(told)]
    order = data.draw(st.permutations(range(len(told))))
    rows, conflicts, spans = kept(*numbered)
    shuffled, shuffled_conflicts, shuffled_spans = kept(*(numbered[i] for i in order))
    assert rows == [order[row] for row in shuffled]
    assert conflicts == shuffled_conflicts
    assert spans == shuffled_spans
