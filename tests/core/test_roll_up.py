"""The verdict on a reading: the gravest word of its checks, and no pass without a figure."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.checks.roll_up import roll_up
from loamline_schemas.verdicts import Verdict
from tests.core.series_builder import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT

#: IOC Manuals and Guides 54 volume 3, QARTOD's order for an aggregate: the worst first.
WORST_FIRST = [FAIL, SUSPECT, PASS, NOT_EVALUATED, MISSING]


def rolled(*flags, no_figure=False, fault=False):
    checks = tuple(np.array([flag], dtype=np.uint8) for flag in flags)
    return Verdict(int(roll_up(checks, no_figure=np.array([no_figure]), fault=np.array([fault]))[0]))


@pytest.mark.parametrize("one", WORST_FIRST, ids=lambda flag: flag.word)
@pytest.mark.parametrize("other", WORST_FIRST, ids=lambda flag: flag.word)
def test_the_worse_of_two_words_counts(one, other):
    expected = WORST_FIRST[min(WORST_FIRST.index(one), WORST_FIRST.index(other))]
    assert rolled(one, other) == expected


@given(flags=st.lists(st.sampled_from(WORST_FIRST), min_size=1, max_size=5), data=st.data())
def test_the_order_of_the_checks_does_not_matter(flags, data):
    shuffled = data.draw(st.permutations(flags))
    assert rolled(*flags) == rolled(*shuffled) == min(flags, key=WORST_FIRST.index)


@given(flags=st.lists(st.sampled_from(WORST_FIRST), min_size=1, max_size=5), fault=st.booleans())
def test_a_reading_without_a_figure_never_passes(flags, fault):
    assert rolled(*flags, no_figure=True, fault=fault) != PASS


def test_without_a_figure_a_pass_elsewhere_is_not_evaluated_or_missing_after_a_fault():
    """The temperature may well pass the frost check; the water content is still not there."""
    assert rolled(NOT_EVALUATED, PASS, no_figure=True) == NOT_EVALUATED
    assert rolled(MISSING, PASS, no_figure=True, fault=True) == MISSING
    assert rolled(NOT_EVALUATED, no_figure=True, fault=True) == MISSING


@pytest.mark.parametrize("grave", [FAIL, SUSPECT])
def test_without_a_figure_a_failed_check_is_still_told(grave):
    """A count far out of range gives no figure, and the reason is not swallowed."""
    assert rolled(grave, PASS, no_figure=True) == grave
    assert rolled(grave, MISSING, no_figure=True, fault=True) == grave


def test_a_fault_that_left_the_figure_does_not_spoil_it():
    assert rolled(PASS, MISSING, fault=True) == PASS


def test_every_reading_has_its_own_word():
    checks = (np.array([PASS, FAIL], dtype=np.uint8), np.array([PASS, PASS], dtype=np.uint8))
    none = np.zeros(2, dtype=bool)
    assert roll_up(checks, no_figure=none, fault=none).tolist() == [PASS, FAIL]
