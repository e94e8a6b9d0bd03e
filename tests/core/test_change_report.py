"""What a recalculation changes, summed up by place from chunks of readings before and after."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.change_report import CLASS_M3_M3, NONE, ChangeReport, Pairs, Place

FIELD, ORCHARD, NOWHERE = Place("North field", 10.0, "loam"), Place("Orchard", 20.0, "clay"), Place(None, None, None)
PASS, FAIL = 1, 4
HOUR_US = 3_600_000_000


def pairs(before, after, *, place=0, at=None, verdict=None, zone=None):
    """Return a chunk of changed readings; hourly, passing and of no zone unless told otherwise."""
    n = len(before)
    same = np.full(n, PASS)
    verdicts = verdict or (same, same)
    zones = zone or (np.full(n, NONE), np.full(n, NONE))
    return Pairs(
        places=(FIELD, ORCHARD, NOWHERE),
        place=np.broadcast_to(np.asarray(place, dtype=np.int64), n),
        measured_at_us=np.arange(n) * HOUR_US if at is None else np.asarray(at),
        vwc_before=np.asarray(before, dtype=np.float64),
        vwc_after=np.asarray(after, dtype=np.float64),
        verdict_before=np.asarray(verdicts[0]),
        verdict_after=np.asarray(verdicts[1]),
        zone_before=np.asarray(zones[0]),
        zone_after=np.asarray(zones[1]),
    )


def report(*chunks):
    """Return the report of some chunks."""
    told = ChangeReport()
    for chunk in chunks:
        told.add(chunk)
    return told


def test_mean_is_signed_and_the_largest_is_not():
    (field,) = report(pairs([0.20, 0.30, 0.25], [0.21, 0.26, 0.25])).in_order()
    assert (field.rows, field.shifted) == (3, 2)
    assert field.mean_m3_m3 == pytest.approx(-0.015)
    assert field.largest_m3_m3 == pytest.approx(0.04)


def test_a_figure_that_comes_or_goes_is_no_shift():
    (field,) = report(pairs([np.nan, 0.30, np.nan], [0.21, np.nan, np.nan])).in_order()
    assert (field.rows, field.shifted, field.gained, field.lost) == (3, 0, 1, 1)
    assert field.mean_m3_m3 is None
    assert field.percentile_m3_m3() is None


def test_flips_are_counted_by_from_and_to():
    chunk = pairs(
        [0.2] * 3, [0.2] * 3, verdict=([PASS, PASS, FAIL], [FAIL, FAIL, FAIL]), zone=([1, 1, NONE], [2, 1, 1])
    )
    (field,) = report(chunk, chunk).in_order()
    assert field.verdicts == {(PASS, FAIL): 4}
    assert field.zones == {(1, 2): 2, (NONE, 1): 2}


def test_places_stand_by_site_and_depth_and_nowhere_stands_last():
    told = report(pairs([0.2] * 4, [0.3] * 4, place=[2, 1, 0, 1]))
    assert [(change.place, change.rows) for change in told.in_order()] == [(FIELD, 1), (ORCHARD, 2), (NOWHERE, 1)]
    assert told.changed == 4


def test_first_and_last_instants_are_of_all_chunks():
    (field,) = report(pairs([0.2], [0.3], at=[7]), pairs([0.2] * 2, [0.3] * 2, at=[9, 3])).in_order()
    assert (field.first_us, field.last_us) == (3, 9)


def test_nothing_changed_is_an_empty_report():
    told = report(pairs([], []))
    assert (told.changed, told.in_order()) == (0, [])


@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=200),
    st.sampled_from([50.0, 95.0, 100.0]),
)
def test_a_percentile_is_the_nearest_rank_and_at_most_one_class_too_large(figures, percent):
    """Compared with the definition: of n sorted sizes, the one of rank ceil(n * percent / 100)."""
    before, after = np.array(figures).T
    (field,) = report(pairs(before, after)).in_order()
    sizes = np.sort(np.abs(after - before)[after != before])
    if not len(sizes):
        assert field.percentile_m3_m3(percent) is None
        return
    rank = max(int(np.ceil(len(sizes) * percent / 100)), 1)
    exact = sizes[rank - 1]
    assert exact - 1e-9 <= field.percentile_m3_m3(percent) <= exact + CLASS_M3_M3 + 1e-9


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1), st.integers(0, 2)), max_size=60), st.integers(1, 59))
def test_chunks_of_any_size_give_the_same_report(rows, cut):
    before, after, place = (np.array(rows).reshape(-1, 3)).T
    at = np.arange(len(rows))

    def chunk(part):
        return pairs(before[part], after[part], place=place[part].astype(int), at=at[part])

    one, two = report(chunk(slice(None))), report(chunk(slice(cut, None)), chunk(slice(cut)))
    for ours, theirs in zip(one.in_order(), two.in_order(), strict=True):
        assert ours.classes == theirs.classes
        assert (ours.place, ours.rows, ours.first_us, ours.last_us) == (
            theirs.place,
            theirs.rows,
            theirs.first_us,
            theirs.last_us,
        )
        assert ours.sum_m3_m3 == pytest.approx(theirs.sum_m3_m3)
