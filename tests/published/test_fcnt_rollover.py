"""16-bit frame counters widened to 32 bits, against LoRaWAN 1.0.3 section 4.3.1.5 (rule FOUND, cases COMPUTED).

The network server has let every one of these uplinks through; the store keeps them all, so that there is no
"reject" here: what the rule refuses is told as late, as a restart or as a loss.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from loamline.core.columns import HOUR_US
from loamline.core.identity import sessions

ROWS = list(csv.DictReader((Path(__file__).parent / "lorawan_fcnt_rollover.csv").read_text().splitlines()))
VERDICT = "verdict_with_MAX_FCNT_GAP_16384"

#: Left out: a difference of exactly 16384. The standard's text says "less than" in one place and "greater than" in
#: another, so that there is no published answer.
AMBIGUOUS = [row for row in ROWS if "ambiguous" in row[VERDICT]]


def rows(*verdicts):
    return [
        pytest.param(row, id=f"{row['last_accepted_fcnt32'] or 'nothing'} then {row['received_fcnt16']}")
        for row in ROWS
        if row[VERDICT] in verdicts
    ]


def after(row):
    """Return session, 32-bit counter and loss of the received uplink, behind a history that led to the last one.

    The history comes as 16 bits too, in steps under 16384, so that every rollover on the way is seen.
    """
    last = row["last_accepted_fcnt32"]
    history = [*range(0, int(last), 16_000), int(last)] if last else []
    counters = np.array([*(count & 0xFFFF for count in history), int(row["received_fcnt16"])], dtype=np.int64)
    ones = np.ones(len(counters), dtype=np.int64)
    told = sessions(ones, np.arange(len(counters)) * HOUR_US, ones, counters)
    assert not history or told.fcnt32[-2] == history[-1]
    return int(told.session[-1]), int(told.fcnt32[-1]), int(told.lost_before[-1])


def test_every_row_is_either_tested_or_named_as_ambiguous():
    tested = {"accept_first", "accept", "duplicate_or_replay", "gap_exceeds_MAX_FCNT_GAP", "overflow_32bit"}
    assert {row[VERDICT] for row in ROWS if row not in AMBIGUOUS} == tested
    assert {row["difference_mod_65536"] for row in AMBIGUOUS} == {"16384"}


@pytest.mark.parametrize("row", rows("accept_first"))
def test_the_first_uplink_of_all_is_taken_as_it_is(row):
    assert after(row) == (0, int(row["received_fcnt16"]), 0)


@pytest.mark.parametrize("row", rows("accept"))
def test_the_received_16_bits_stand_for_the_next_greater_counter(row):
    lost = int(row["difference_mod_65536"]) - 1
    assert after(row) == (0, int(row["inferred_fcnt32"]), lost)


@pytest.mark.parametrize("row", rows("duplicate_or_replay"))
def test_the_same_counter_again_stays_the_same_and_loses_nothing(row):
    """Another payload under the same counter, since equal ones were merged before."""
    assert after(row) == (0, int(row["last_accepted_fcnt32"]), 0)


BEHIND = [row for row in rows("gap_exceeds_MAX_FCNT_GAP") if row.values[0]["difference_mod_65536"] == "65535"]
AHEAD = [row for row in rows("gap_exceeds_MAX_FCNT_GAP") if row not in BEHIND]


@pytest.mark.parametrize("row", BEHIND)
def test_a_counter_one_behind_is_a_late_uplink_and_no_lap_of_65535(row):
    """Differs on purpose: a device may not go back, but two gateways' clocks put its uplinks in the wrong order."""
    assert after(row)[:2] == (0, int(row["inferred_fcnt32"]) - 65536)


@pytest.mark.parametrize("row", AHEAD)
def test_a_leap_ahead_over_the_largest_gap_is_kept_and_counted_as_a_loss(row):
    """Differs on purpose: MAX_FCNT_GAP is deprecated since LoRaWAN 1.0.4, and a lost season is worth telling."""
    assert after(row) == (0, int(row["inferred_fcnt32"]), int(row["difference_mod_65536"]) - 1)


def test_after_the_last_32_bit_counter_only_a_new_session_can_follow():
    """The row 4294967295 then 0, as a network that gives 32 bits tells it; no counter is greater than the last."""
    assert [row.values[0]["last_accepted_fcnt32"] for row in rows("overflow_32bit")] == ["4294967295"]
    ones = np.ones(2, dtype=np.int64)
    told = sessions(ones, np.array([0, HOUR_US]), ones, np.array([0xFFFF_FFFF, 0]))
    assert (told.session.tolist(), told.fcnt32.tolist()) == ([0, 1], [0xFFFF_FFFF, 0])
    assert told.lost_before.tolist() == [0, 0]
