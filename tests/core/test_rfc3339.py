"""Instants as text, by RFC 3339."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from hypothesis import given
from hypothesis import strategies as st

from loamline.core.rfc3339 import rfc3339

#: Two days from both ends of what a datetime holds, so that UTC stays within.
_INSTANTS = st.datetimes(
    datetime(1, 1, 3),  # noqa: DTZ001 - the zones below
    datetime(9999, 12, 29),  # noqa: DTZ001
    timezones=st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes))),
)


@given(instant=_INSTANTS)
def test_it_is_the_same_instant_in_utc_with_six_decimals_or_none(instant):
    told = rfc3339(instant)
    assert datetime.fromisoformat(told) == instant
    assert told.endswith("Z")
    assert len(told) == (20 if instant.microsecond == 0 else 27)


def test_an_instant_with_zeros_at_its_end_keeps_them():
    assert rfc3339(datetime(2026, 5, 1, 10, 0, 3, 125_000, UTC)) == "2026-05-01T10:00:03.125000Z"
